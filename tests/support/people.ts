import type { NewAccount } from '../../src/access/account-rules.js';
import { AccountsService } from '../../src/access/accounts.service.js';
import { PasswordProofs } from '../../src/access/password-proof.service.js';
import { Passwords } from '../../src/access/passwords.service.js';
import { PeopleService } from '../../src/access/people.service.js';
import { SessionsService } from '../../src/access/sessions.service.js';
import { DEFAULT_SESSIONS } from '../../src/site/site-folder.js';
import type { Clock } from '../../src/storage/clock.js';
import type { OpenDatabase } from '../../src/storage/database.js';

/** People of the invented site, for tests. */

export const SITE = 'northquay';
export const ZONE = 'Europe/London';
export const ADDRESS = '192.0.2.7';
export const PASSWORD = 'copper lantern under seven drums';
export const COMMAND_LINE = { kind: 'cli', name: 'cli', source: '127.0.0.1' } as const;

/** One for all tests of a file, which prove a password hundreds of times: at full cost that is a quarter of a second each. */
const passwords = new Passwords({ memoryCost: 64, timeCost: 1, parallelism: 1 });
let cheapHash: Promise<string> | null = null;

/** What is stored for whoever has the password of all tests, and is soon compared. */
export function storedPassword(): Promise<string> {
  cheapHash ??= passwords.hash(PASSWORD);
  return cheapHash;
}

export function peopleOn(database: OpenDatabase, clock: Clock, site = SITE) {
  const proofs = new PasswordProofs(database, clock, ZONE, passwords);
  const place = { site, zone: ZONE, siteWords: ['Northquay (simulated)', 'East dock'] };
  const accounts = new AccountsService(database, clock, place, passwords, proofs);
  const sessions = new SessionsService(database, clock, { site, zone: ZONE }, DEFAULT_SESSIONS);
  const people = new PeopleService(database, clock, place, passwords, accounts, sessions);
  return { accounts, people, sessions, proofs, passwords };
}

export function newAccount(userName: string, changes: Partial<NewAccount> = {}): NewAccount {
  return {
    userName,
    printedName: `Person ${userName} (simulated)`,
    roles: ['viewer'],
    operatorIds: [],
    password: PASSWORD,
    ...changes,
  };
}
