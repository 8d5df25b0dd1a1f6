import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import { AccessService } from './access.service.js';
import { AccountsService } from './accounts.service.js';
import { PasswordProofs } from './password-proof.service.js';
import { Passwords } from './passwords.service.js';
import { PeopleService } from './people.service.js';
import { SessionsService } from './sessions.service.js';
import { SignInService } from './sign-in.service.js';

type AccessSite = Pick<
  SiteFolder,
  'site' | 'title' | 'timeZone' | 'areas' | 'destinations' | 'sessions'
>;

export interface Access {
  readonly access: AccessService;
  readonly accounts: AccountsService;
  readonly people: PeopleService;
  readonly sessions: SessionsService;
  readonly signIn: SignInService;
}

/** Keys, people and sessions of a site, wired. */
export function openAccess(database: OpenDatabase, clock: Clock, folder: AccessSite): Access {
  const { site, timeZone: zone, title, areas, destinations } = folder;
  const siteWords = [site, title, ...[...areas, ...destinations].map((named) => named.title)];
  const place = { site, zone, siteWords };
  const passwords = new Passwords();
  const proofs = new PasswordProofs(database, clock, zone, passwords);
  const accounts = new AccountsService(database, clock, place, passwords, proofs);
  const sessions = new SessionsService(database, clock, { site, zone }, folder.sessions);
  return {
    access: new AccessService(database, clock, zone),
    accounts,
    people: new PeopleService(database, clock, place, passwords, accounts, sessions),
    sessions,
    signIn: new SignInService(database, clock, place, passwords, proofs, sessions),
  };
}
