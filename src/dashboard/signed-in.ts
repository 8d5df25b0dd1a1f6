import type { Caller } from '../access/caller.js';
import type { Right } from '../access/rights.js';

/** The person a page is made for, as its header shows them. */
export interface SignedIn {
  readonly printedName: string;
  readonly canManagePeople: boolean;
  readonly canReadTrail: boolean;
  readonly canAnnounce: boolean;
}

/** null for programs, and at the machine itself before there are people. */
export function signedInOf(caller: Caller | undefined): SignedIn | null {
  if (caller?.kind !== 'person') return null;
  const may = (right: Right) => caller.rights.has(right) && !caller.mustChangePassword;
  return {
    printedName: caller.name,
    canManagePeople: may('people.manage'),
    canReadTrail: may('trail.read'),
    canAnnounce: may('expectation.write'),
  };
}
