import { type Actor, recordAudit } from '../audit/audit.store.js';
import { sha256 } from '../formats/canonical-json.js';
import { addMs, formatInstant, type Instant, msBetween } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { AccountRow } from '../storage/tables.js';
import {
  blockedUntil,
  countTry,
  type LockOutRule,
  NAME_RULE,
  NO_TRIES,
  SOURCE_RULE,
  type Tries,
  uncountTry,
} from './lock-out.js';
import type { Passwords } from './passwords.service.js';
import {
  countTurnedAway,
  dropOldTries,
  findTries,
  lockTries,
  saveTries,
} from './sign-in-tries.store.js';
import { foldName, NAME_LENGTH_MAX } from './user-name.js';

export interface PasswordTry {
  readonly site: string;
  /** As typed; the account's own when it is known already. */
  readonly userName: string;
  /** null when nobody has the name. */
  readonly account: AccountRow | null;
  readonly password: string;
  readonly source: string;
  /** What is refused, as the trail names it. */
  readonly purpose: 'sign-in' | 're-authentication';
}

export type PasswordProof =
  | { readonly kind: 'proven'; readonly account: AccountRow }
  | {
      readonly kind: 'refused';
      /** `wrong` for a wrong password and for a name that nobody has, or that is not in force any more. */
      readonly why: 'wrong' | 'locked' | 'busy';
      /** When it may be tried again; null unless locked. */
      readonly until: Instant | null;
    };

interface Counted {
  readonly subject: string;
  readonly rule: LockOutRule;
}

const FORGET_EVERY_MS = 3_600_000;

/** Whether somebody is who they say: counts tries, and writes down every one that is refused. */
export class PasswordProofs {
  #forgotAt: Instant | null = null;

  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly zone: string,
    private readonly passwords: Passwords,
  ) {}

  async prove(asked: PasswordTry): Promise<PasswordProof> {
    const now = this.clock.now();
    await this.#forgetOld(asked.site, now);
    const counted = countedFor(asked);
    const until = await this.database.transact((trx) => this.#count(trx, asked, counted, now));
    if (until !== null) return { kind: 'refused', why: 'locked', until };
    const answer = await this.passwords.matches(asked.account?.password ?? null, asked.password);
    const { account } = asked;
    if (answer === true && account !== null && account.deactivated_at === null) {
      await this.database.transact((trx) => this.#takeBack(trx, asked.site, counted));
      return { kind: 'proven', account };
    }
    if (answer === 'busy') {
      await this.database.transact((trx) => this.#takeBackOne(trx, asked.site, counted));
      return { kind: 'refused', why: 'busy', until: null };
    }
    const reason = answer
      ? 'the account is deactivated'
      : account === null
        ? 'nobody has this user name'
        : 'wrong password';
    await this.database.transact((trx) => this.#noteRefusal(trx, asked, reason));
    return { kind: 'refused', why: 'wrong', until: null };
  }

  /** Counts a try before it is made; the end of the block when it may not be. */
  async #count(
    trx: Trx,
    asked: PasswordTry,
    counted: readonly [Counted, Counted],
    now: Instant,
  ): Promise<Instant | null> {
    const shutUntil = await this.#turnAwayAtSource(trx, asked, counted, now);
    if (shutUntil !== null) return shutUntil;
    const { site } = asked;
    const rows = [];
    for (const { subject, rule } of counted) {
      rows.push({ row: await lockTries(trx, site, subject), rule });
    }
    const blocks = rows.flatMap(({ row, rule }) => blockedUntil(triesOf(row), rule, now) ?? []);
    if (blocks.length > 0) {
      const until = Math.max(...blocks) as Instant;
      const turnedAway = Math.max(...rows.map(({ row }) => row.turned_away)) + 1;
      for (const { row } of rows) await saveTries(trx, { ...row, turned_away: turnedAway });
      await this.#noteTurnedAway(trx, asked, { turnedAway, until, now });
      return until;
    }
    for (const { row, rule } of rows) {
      const tries = countTry(triesOf(row), rule, now);
      await saveTries(trx, { site, subject: row.subject, ...columnsOf(tries), turned_away: 0 });
    }
    return null;
  }

  /**
   * The end of the block when the address is shut; null when it is open. Such a try is counted in the row of the address alone,
   * which is there: who is shut out may type another name each time, and must not leave a row for each.
   */
  async #turnAwayAtSource(
    trx: Trx,
    asked: PasswordTry,
    [name, source]: readonly [Counted, Counted],
    now: Instant,
  ): Promise<Instant | null> {
    const sourceEnd = await blockOf(trx, asked.site, source, now);
    if (sourceEnd === null) return null;
    const turnedAway = await countTurnedAway(trx, asked.site, source.subject);
    if (turnedAway === null) return null;
    // Only read: whose own block lasts longer is told that, as from an address that is open.
    const nameEnd = await blockOf(trx, asked.site, name, now);
    const until = Math.max(sourceEnd, nameEnd ?? sourceEnd) as Instant;
    await this.#noteTurnedAway(trx, asked, { turnedAway, until, now });
    return until;
  }

  async #takeBack(trx: Trx, site: string, [name, source]: readonly [Counted, Counted]) {
    const row = await lockTries(trx, site, name.subject);
    await saveTries(trx, { ...row, ...columnsOf(NO_TRIES), turned_away: 0 });
    await this.#uncount(trx, site, source);
  }

  async #takeBackOne(trx: Trx, site: string, [name, source]: readonly [Counted, Counted]) {
    await this.#uncount(trx, site, name);
    await this.#uncount(trx, site, source);
  }

  async #uncount(trx: Trx, site: string, { subject, rule }: Counted): Promise<void> {
    const row = await lockTries(trx, site, subject);
    await saveTries(trx, { ...row, ...columnsOf(uncountTry(triesOf(row), rule)) });
  }

  /**
   * Tries against a block are counted one by one and written down at 1, 10, 100 …: whoever hammers at a block
   * fills no trail, and how often it was is kept. A person who signs is written down every time.
   */
  async #noteTurnedAway(
    trx: Trx,
    asked: PasswordTry,
    at: { readonly turnedAway: number; readonly until: Instant; readonly now: Instant },
  ): Promise<void> {
    if (asked.purpose === 'sign-in' && !/^10*$/.test(String(at.turnedAway))) return;
    await this.#note(trx, asked, 'too many tries', {
      blockedUntil: formatInstant(at.until),
      triesWhileBlocked: at.turnedAway,
    });
  }

  async #noteRefusal(trx: Trx, asked: PasswordTry, reason: string): Promise<void> {
    const [name] = countedFor(asked);
    const row = await lockTries(trx, asked.site, name.subject);
    await this.#note(trx, asked, reason, {
      failures: row.failures,
      blockedUntil: row.blocked_until === null ? null : formatInstant(row.blocked_until),
    });
  }

  async #note(trx: Trx, asked: PasswordTry, reason: string, after: object): Promise<void> {
    // What was typed as an unknown name stays out of the trail: people type passwords there.
    const id = asked.account?.id ?? 'unknown';
    const actor: Actor = { kind: 'person', name: id, source: asked.source };
    await recordAudit(trx, {
      site: asked.site,
      zone: this.zone,
      at: this.clock.now(),
      actor,
      action: `${asked.purpose}.refused`,
      subjectKind: 'account',
      subjectId: id,
      reason,
      after,
    });
  }

  async #forgetOld(site: string, now: Instant): Promise<void> {
    if (this.#forgotAt !== null && msBetween(this.#forgotAt, now) < FORGET_EVERY_MS) return;
    this.#forgotAt = now;
    const before = addMs(now, -NAME_RULE.forgottenAfterMs);
    await this.database.transact((trx) => dropOldTries(trx, site, before));
  }
}

/**
 * Under which row the tries of a user name are counted; the name itself may be a mistyped password. Folded before it is cut,
 * as accounts are found: blanks in front of a name are no other name.
 */
export function nameSubject(userName: string): string {
  return `name:${sha256(foldName(userName).slice(0, 10 * NAME_LENGTH_MAX))}`;
}

/** The name first, everywhere: two who lock the same rows in another order would wait for each other. */
function countedFor({ userName, account, source }: PasswordTry): readonly [Counted, Counted] {
  return [
    // Whatever was typed to find an account, its tries are counted together.
    { subject: nameSubject(account?.user_name ?? userName), rule: NAME_RULE },
    { subject: `source:${source}`, rule: SOURCE_RULE },
  ];
}

/** The end of a block, read without a lock. */
async function blockOf(
  trx: Trx,
  site: string,
  { subject, rule }: Counted,
  now: Instant,
): Promise<Instant | null> {
  const row = await findTries(trx, site, subject);
  return row === undefined ? null : blockedUntil(triesOf(row), rule, now);
}

function triesOf(row: {
  readonly failures: number;
  readonly last_at: Instant;
  readonly blocked_until: Instant | null;
}): Tries {
  return { failures: row.failures, lastAt: row.last_at, blockedUntil: row.blocked_until };
}

function columnsOf({ failures, lastAt, blockedUntil: until }: Tries) {
  return { failures, last_at: lastAt, blocked_until: until };
}
