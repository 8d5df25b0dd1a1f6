import type { Actor } from '../audit/audit.store.js';
import { Problem } from '../problem-details.js';
import type { AccountsService } from './accounts.service.js';
import { actorOf, type Caller } from './caller.js';
import type { Right } from './rights.js';

/**
 * The person who acts, where an act takes one: whoever is signed in, or on the command line whoever proves it by
 * `userName` and `password`. The handler is marked `provesPerson`.
 *
 * @throws Problem `query-invalid`, `person-not-proven` or `right-missing`
 */
export async function actingPerson(
  accounts: Pick<AccountsService, 'reauthenticate'>,
  caller: Caller,
  right: Right,
  fields: Readonly<Record<string, unknown>>,
): Promise<Actor> {
  if (caller.kind === 'person') return actorOf(caller);
  const { userName, password } = fields;
  if (typeof userName !== 'string' || userName.trim() === '') {
    throw new Problem('query-invalid', 'userName: expected the user name of the person who acts');
  }
  if (typeof password !== 'string' || password === '') {
    throw new Problem('query-invalid', 'password: expected the password of that person');
  }
  const { source } = caller;
  const answer = await accounts.reauthenticate({ userName: userName.trim(), password, source });
  if (answer.kind === 'refused') {
    throw new Problem('person-not-proven', NOT_PROVEN[answer.why], { why: answer.why });
  }
  const { accountId, rights } = answer.person;
  if (!rights.has(right)) {
    throw new Problem('right-missing', `none of the roles of ${userName} gives the right ${right}`);
  }
  return { kind: 'person', name: accountId, source };
}

const NOT_PROVEN = {
  wrong: 'user name and password do not belong together, or the account is not in force',
  locked: 'too many tries in vain; the account or this computer is locked for a while',
  'must-change-password': 'the password was given by an administrator; choose another one first',
  busy: 'too many passwords are being compared; try again at once',
} as const;
