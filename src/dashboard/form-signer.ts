import type { Caller } from '../access/caller.js';
import type { Right } from '../access/rights.js';
import type { Components } from '../signatures/signature.js';
import type { Signer } from './sign-form.js';

/**
 * What a form that signs needs of whoever looks at the page; null for who may not sign. Two rights are asked for, the
 * act's and that of signing at all.
 */
export async function formSigner(
  { caller, formToken }: { readonly caller: Caller; readonly formToken: string | null },
  right: Right,
  signing: { needed(accountId: string, sessionId: string): Promise<Components> },
): Promise<Signer | null> {
  if (caller?.kind !== 'person' || formToken === null) return null;
  if (!mayAct({ caller }, right)) return null;
  return { formToken, components: await signing.needed(caller.id, caller.sessionId) };
}

/** Whether whoever looks at a page may sign such an act. */
export function mayAct({ caller }: { readonly caller: Caller }, right: Right): boolean {
  if (caller?.kind !== 'person') return false;
  return caller.rights.has(right) && caller.rights.has('signature.make');
}
