import type { Caller } from './caller.js';
import { type Right, scopeGiving } from './rights.js';

/** What a handler asks of its caller: a right; `signed-in` to be a person; `open` nothing. */
export type Need = Right | 'signed-in' | 'open';

export interface Mark {
  readonly need: Need;
  /**
   * The handler proves a person by password (`AccountsService.reauthenticate`) and checks the right of that person,
   * so a command on this machine may reach it without holding the right.
   */
  readonly provesPerson?: boolean;
  /** A page whose forms belong to a sign-in: besides the right it takes a person. */
  readonly isForPeople?: boolean;
  /** A page that opens on the gateway's own machine without a sign-in, as long as nobody could sign in. */
  readonly isForMachine?: boolean;
  /** Fields of its form that may be given more than once; any other that is, is refused. */
  readonly mayRepeat?: readonly string[];
}

/** Why a caller is not let through to a handler; null when they are. */
export function refusalOf(
  mark: Mark | null,
  caller: Pick<Caller, 'kind' | 'rights'>,
): { readonly code: 'scope-missing' | 'right-missing'; readonly detail: string } | null {
  if (mark === null) return { code: 'scope-missing', detail: 'this address is open to nobody' };
  const { need, provesPerson } = mark;
  if (need === 'open' || (provesPerson && caller.kind === 'cli')) return null;
  if ((need === 'signed-in' || mark.isForPeople) && caller.kind !== 'person') {
    return { code: 'right-missing', detail: 'this address is for people who are signed in' };
  }
  if (need === 'signed-in') return null;
  if (caller.rights.has(need)) return null;
  if (caller.kind === 'person') {
    return { code: 'right-missing', detail: `none of your roles gives the right ${need}` };
  }
  const scope = scopeGiving(need);
  const detail =
    scope === null
      ? `this address needs the right ${need}, which no key holds`
      : `this address needs the scope ${scope}`;
  return { code: 'scope-missing', detail };
}
