import { passwordFault } from './password-rules.js';
import { PROGRAM_ROLES, type Role } from './rights.js';
import { printedNameFault, userNameFault } from './user-name.js';

export interface NewAccount {
  readonly userName: string;
  readonly printedName: string;
  readonly roles: readonly Role[];
  /** Ids under which the person measures; none for who does not. */
  readonly operatorIds: readonly string[];
  /** Initial password; the person chooses another at the first sign-in. */
  readonly password: string;
  /** The ended account of the same person, and why that is known; left out for who has had none. */
  readonly predecessor?: { readonly userName: string; readonly reason: string };
}

/** Names the field and the rule, as forms and commands show it. */
export interface AccountFault {
  readonly field:
    | 'userName'
    | 'printedName'
    | 'roles'
    | 'operatorIds'
    | 'password'
    | 'predecessor'
    | 'reason';
  readonly message: string;
}

const OPERATORS_MAX = 20;

export function newAccountFault(
  input: NewAccount,
  siteWords: readonly string[],
): AccountFault | null {
  const { userName, printedName, password } = input;
  const name = userNameFault(userName);
  if (name) return { field: 'userName', message: name };
  const printed = printedNameFault(printedName);
  if (printed) return { field: 'printedName', message: printed };
  const weak = passwordFault(password, { userName, printedName, siteWords });
  if (weak) return { field: 'password', message: weak };
  return rolesFault(input.roles) ?? operatorsFault(input.operatorIds);
}

export function rolesFault(roles: readonly Role[]): AccountFault | null {
  const program = roles.find((role) => PROGRAM_ROLES.has(role));
  return program === undefined
    ? null
    : {
        field: 'roles',
        message: `${program} is for programs: make a key with \`drumline key create\``,
      };
}

export function operatorsFault(operatorIds: readonly string[]): AccountFault | null {
  if (operatorIds.length > OPERATORS_MAX) {
    return { field: 'operatorIds', message: `expected ${OPERATORS_MAX} at most` };
  }
  const bad = operatorIds.map(printedNameFault).find((fault) => fault !== null);
  return bad === undefined ? null : { field: 'operatorIds', message: bad };
}
