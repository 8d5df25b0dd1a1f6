import { randomBytes } from 'node:crypto';
import { uuidv7 } from 'uuidv7';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import { addMs, type Instant, msBetween } from '../formats/instant.js';
import type { SessionLimits } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { SessionRow } from '../storage/tables.js';
import { latestEntryAt } from './access-trail.store.js';
import { findAccount, personOf } from './accounts.store.js';
import type { Person } from './caller.js';
import {
  formatSessionSecret,
  isAhead,
  isSeenDue,
  type SessionEnd,
  sessionDigest,
  sessionOver,
} from './session-rules.js';
import {
  endSession,
  findSessionByDigest,
  insertSession,
  noteSeen,
  openSessions,
  openSessionsOf,
} from './sessions.store.js';

export type SessionAnswer =
  | { readonly kind: 'live'; readonly sessionId: string; readonly person: Person }
  /** `unknown`: nobody was ever given it here; otherwise why it is over. */
  | { readonly kind: 'over'; readonly why: SessionEnd | 'unknown' };

export interface SessionStart {
  readonly accountId: string;
  readonly source: string;
  /** What the browser calls itself; only shown to its owner. */
  readonly agent: string;
}

const AGENT_LENGTH_MAX = 200;
const SWEEP_EVERY_MS = 60_000;

/** Sign-ins that last: who is behind a cookie, and until when. */
export class SessionsService {
  #sweptAt: Instant | null = null;

  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly place: { readonly site: string; readonly zone: string },
    readonly limits: SessionLimits,
  ) {}

  /** Begins a session; its secret is for the cookie and is kept as a digest only. */
  async start(trx: Trx, { accountId, source, agent }: SessionStart): Promise<string> {
    const secret = formatSessionSecret(randomBytes(32));
    const id = uuidv7();
    const now = this.clock.now();
    await insertSession(trx, {
      id,
      secret_sha256: sessionDigest(secret),
      account_id: accountId,
      site: this.place.site,
      started_at: now,
      seen_at: now,
      expires_at: addMs(now, this.limits.absoluteMs),
      source,
      agent: agent.replace(/\p{Cc}/gu, ' ').slice(0, AGENT_LENGTH_MAX),
      ended_at: null,
      end_reason: null,
    });
    await recordAudit(trx, {
      ...this.#event(now, { kind: 'person', name: accountId, source }),
      action: 'session.started',
      subjectKind: 'account',
      subjectId: accountId,
      after: { session: id },
    });
    return secret;
  }

  /** Who is behind the secret of a cookie. What is over is ended for good, and stays so whatever the clock does. */
  async find(secret: string): Promise<SessionAnswer> {
    await this.#sweepIfDue();
    const { db } = this.database;
    const { site } = this.place;
    const row = await findSessionByDigest(db, sessionDigest(secret));
    if (!row || row.site !== site) return { kind: 'over', why: 'unknown' };
    if (row.ended_at !== null) return { kind: 'over', why: row.end_reason as SessionEnd };
    const now = this.clock.now();
    const over = sessionOver(timesOf(row), this.limits, now);
    if (over) return this.#over(row, over);
    const account = await findAccount(db, row.account_id);
    if (!account || account.deactivated_at !== null) return this.#over(row, 'account deactivated');
    if (isSeenDue(row.seen_at, this.limits, now)) {
      await this.database.transact((trx) => noteSeen(trx, row.id, now));
    }
    return { kind: 'live', sessionId: row.id, person: await personOf(db, account, site) };
  }

  /** Ends one session of an account; false when it has none of that id that is open. */
  async end(
    of: { readonly accountId: string; readonly sessionId: string },
    reason: SessionEnd,
    actor: Actor,
  ): Promise<boolean> {
    return this.database.transact(async (trx) => {
      const open = await openSessionsOf(trx, of.accountId);
      const row = open.find(({ id }) => id === of.sessionId);
      return row !== undefined && (await this.#endRow(trx, row, reason, actor));
    });
  }

  /** Ends every open session of an account, in the transaction of what makes it necessary. */
  async endAll(trx: Trx, accountId: string, reason: SessionEnd, actor: Actor): Promise<number> {
    const open = await openSessionsOf(trx, accountId);
    for (const row of open) await this.#endRow(trx, row, reason, actor);
    return open.length;
  }

  /**
   * Ends what is over. The first time, when the trail shows a later time than the clock, that is every session from
   * before: how long they lasted nobody can tell then.
   */
  async #sweep(now: Instant): Promise<void> {
    const latest =
      this.#sweptAt === null ? await latestEntryAt(this.database.db, this.place.site) : null;
    this.#sweptAt = now;
    const isSetBack = latest !== null && isAhead(latest, now);
    for (const row of await openSessions(this.database.db, this.place.site)) {
      const over = isSetBack ? 'clock set back' : sessionOver(timesOf(row), this.limits, now);
      if (over) await this.#over(row, over);
    }
  }

  async #sweepIfDue(): Promise<void> {
    const now = this.clock.now();
    const since = this.#sweptAt === null ? null : msBetween(this.#sweptAt, now);
    if (since === null || since >= SWEEP_EVERY_MS || since < 0) await this.#sweep(now);
  }

  async #over(row: SessionRow, why: SessionEnd): Promise<SessionAnswer> {
    const actor = { kind: 'system', name: 'sessions' } as const;
    await this.database.transact((trx) => this.#endRow(trx, row, why, actor));
    return { kind: 'over', why };
  }

  async #endRow(trx: Trx, row: SessionRow, reason: SessionEnd, actor: Actor): Promise<boolean> {
    const now = this.clock.now();
    if (!(await endSession(trx, row.id, now, reason))) return false;
    await recordAudit(trx, {
      ...this.#event(now, actor),
      action: 'session.ended',
      subjectKind: 'account',
      subjectId: row.account_id,
      reason,
      before: { session: row.id },
    });
    return true;
  }

  #event(at: Instant, actor: Actor) {
    return { ...this.place, at, actor };
  }
}

function timesOf(row: SessionRow) {
  return { seenAt: row.seen_at, expiresAt: row.expires_at };
}
