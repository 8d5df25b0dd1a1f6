import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import {
  anyAccount,
  findAccount,
  findAccountByName,
  lockAccount,
  setPassword,
} from './accounts.store.js';
import type { PasswordProofs } from './password-proof.service.js';
import { passwordFault } from './password-rules.js';
import type { Passwords } from './passwords.service.js';
import type { SessionsService } from './sessions.service.js';

export type SignInAnswer =
  | { readonly kind: 'signed-in'; readonly secret: string; readonly mustChangePassword: boolean }
  | {
      readonly kind: 'refused';
      readonly why: 'wrong' | 'locked' | 'busy';
      readonly until: Instant | null;
    };

export type PasswordChangeAnswer =
  /** A new session in the place of all others. */
  | { readonly kind: 'changed'; readonly secret: string }
  | {
      readonly kind: 'refused';
      readonly why: 'wrong' | 'locked' | 'busy' | 'weak';
      readonly until: Instant | null;
      /** What is wrong with the new password; null unless weak. */
      readonly fault: string | null;
    };

/** Signing in, and choosing one's own password. */
export class SignInService {
  #hasAccounts = false;

  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly place: {
      readonly site: string;
      readonly zone: string;
      readonly siteWords: readonly string[];
    },
    private readonly passwords: Passwords,
    private readonly proofs: PasswordProofs,
    private readonly sessions: SessionsService,
  ) {}

  /** Whether anybody can sign in: until then the pages are for the machine itself. */
  async hasAccounts(): Promise<boolean> {
    this.#hasAccounts ||= await anyAccount(this.database.db);
    return this.#hasAccounts;
  }

  async signIn(asked: {
    readonly userName: string;
    readonly password: string;
    readonly source: string;
    readonly agent: string;
    /** Secret of the session that the browser has already; it ends. */
    readonly before: string | null;
  }): Promise<SignInAnswer> {
    const { userName, password, source, agent } = asked;
    const account = (await findAccountByName(this.database.db, userName)) ?? null;
    const { site } = this.place;
    const proof = await this.proofs.prove({
      site,
      userName,
      account,
      password,
      source,
      purpose: 'sign-in',
    });
    if (proof.kind === 'refused') return proof;
    const { id, password: proven } = proof.account;
    if (asked.before !== null) await this.#endBefore(asked.before, source);
    return this.database.transact(async (trx): Promise<SignInAnswer> => {
      const current = await lockAccount(trx, id);
      // While the password was compared somebody may have ended the account, or changed its password.
      if (!current || current.deactivated_at !== null || current.password !== proven) {
        return { kind: 'refused', why: 'wrong', until: null };
      }
      const secret = await this.sessions.start(trx, { accountId: id, source, agent });
      const mustChangePassword = current.must_change_password === 1;
      return { kind: 'signed-in', secret, mustChangePassword };
    });
  }

  async changePassword(asked: {
    readonly accountId: string;
    readonly current: string;
    readonly next: string;
    readonly source: string;
    readonly agent: string;
  }): Promise<PasswordChangeAnswer> {
    const { accountId, current, next, source, agent } = asked;
    const account = await findAccount(this.database.db, accountId);
    if (!account) return { kind: 'refused', why: 'wrong', until: null, fault: null };
    const { site, zone, siteWords } = this.place;
    const names = { userName: account.user_name, printedName: account.printed_name };
    const weak =
      next.normalize('NFC') === current.normalize('NFC')
        ? 'it is the one that you have'
        : passwordFault(next, { ...names, siteWords });
    if (weak) return { kind: 'refused', why: 'weak', until: null, fault: weak };
    const proof = await this.proofs.prove({
      site,
      userName: account.user_name,
      account,
      password: current,
      source,
      purpose: 're-authentication',
    });
    if (proof.kind === 'refused') return { ...proof, fault: null };
    const hash = await this.passwords.hash(next);
    const actor: Actor = { kind: 'person', name: accountId, source };
    return this.database.transact(async (trx): Promise<PasswordChangeAnswer> => {
      const locked = await lockAccount(trx, accountId);
      if (locked?.password !== account.password || locked.deactivated_at !== null) {
        return { kind: 'refused', why: 'wrong', until: null, fault: null };
      }
      const at = this.clock.now();
      await setPassword(trx, accountId, { hash, at, mustChange: false });
      await recordAudit(trx, {
        ...{ site, zone, at, actor },
        action: 'account.password-changed',
        subjectKind: 'account',
        subjectId: accountId,
        before: { mustChange: locked.must_change_password === 1 },
        after: { mustChange: false },
      });
      await this.sessions.endAll(trx, accountId, 'password changed', actor);
      return {
        kind: 'changed',
        secret: await this.sessions.start(trx, { accountId, source, agent }),
      };
    });
  }

  async #endBefore(secret: string, source: string): Promise<void> {
    const before = await this.sessions.find(secret);
    if (before.kind !== 'live') return;
    const { accountId } = before.person;
    const actor: Actor = { kind: 'person', name: accountId, source };
    await this.sessions.end({ accountId, sessionId: before.sessionId }, 'signed in again', actor);
  }
}
