import type { Caller } from '../access/caller.js';
import type { Right } from '../access/rights.js';
import type { Components } from '../signatures/signature.js';
import type { ReviewSigner } from './review-form.js';

/**
 * What a form that signs needs of whoever looks at the page; null for who may not sign. Two rights are asked for, the
 * act's and that of signing at all.
 */
export async function formSigner(
  { caller, formToken }: { readonly caller: Caller; readonly formToken: string | null },
  right: Right,
  signing: { needed(accountId: string, sessionId: string): Promise<Components> },
): Promise<ReviewSigner | null> {
  if (caller?.kind !== 'person' || formToken === null) return null;
  if (!caller.rights.has(right) || !caller.rights.has('signature.make')) return null;
  return { formToken, components: await signing.needed(caller.id, caller.sessionId) };
}
