import type { Caller } from '../access/caller.js';

/** The person a page is made for, as its header shows them. */
export interface SignedIn {
  readonly printedName: string;
  readonly canManagePeople: boolean;
}

/** null for programs, and at the machine itself before there are people. */
export function signedInOf(caller: Caller | undefined): SignedIn | null {
  if (caller?.kind !== 'person') return null;
  const canManagePeople = caller.rights.has('people.manage') && !caller.mustChangePassword;
  return { printedName: caller.name, canManagePeople };
}
