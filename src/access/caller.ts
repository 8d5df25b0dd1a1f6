import type { Right, Role } from './rights.js';

interface CallerFacts {
  readonly id: string;
  readonly name: string;
  readonly site: string;
  readonly rights: ReadonlySet<Right>;
  /** Address of the computer that asks. */
  readonly source: string;
}

/** A program with a key, a command with the control file, or a reader at the machine itself. */
export interface ProgramCaller extends CallerFacts {
  /** `id`: the key's id, or the kind's own word. */
  readonly kind: 'key' | 'cli' | 'loopback';
}

/** A person who is signed in. */
export interface PersonCaller extends CallerFacts {
  /** `id`: the account's id; `name`: the printed name. */
  readonly kind: 'person';
  readonly userName: string;
  readonly roles: readonly Role[];
  readonly sessionId: string;
  /** Ids under which the person measures. */
  readonly operatorIds: readonly string[];
  /** See `Person`. */
  readonly accountIds: readonly string[];
  readonly everOperatorIds: readonly string[];
  /** True until the person has chosen a password of their own; nothing else is open before. */
  readonly mustChangePassword: boolean;
}

/** Who is calling, once proven. */
export type Caller = ProgramCaller | PersonCaller;

/** A person as an account describes them. */
export interface Person {
  readonly accountId: string;
  /** This account and every other that is the same person's, as an administrator named them. */
  readonly accountIds: readonly string[];
  readonly userName: string;
  readonly printedName: string;
  readonly site: string;
  readonly roles: readonly Role[];
  readonly rights: ReadonlySet<Right>;
  /** Ids under which the person measures, by whichever of their accounts. */
  readonly operatorIds: readonly string[];
  /** These and those that were taken from one of the accounts: what was measured under one stays theirs. */
  readonly everOperatorIds: readonly string[];
  readonly mustChangePassword: boolean;
}

/** Who a change made by this caller is recorded under in the trail, and from where. */
export function actorOf(caller: Caller): {
  readonly kind: 'cli' | 'key' | 'person';
  readonly name: string;
  readonly source: string;
} {
  const kind = caller.kind === 'cli' || caller.kind === 'person' ? caller.kind : 'key';
  return { kind, name: caller.id, source: caller.source };
}
