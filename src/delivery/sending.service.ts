import { addMs, type Instant } from '../formats/instant.js';
import type { Destination } from '../site/site-folder.js';
import { step as reached } from '../step.js';
import type { Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import type { DestinationRow } from '../storage/tables.js';
import { breakerAt } from './breaker.js';
import { type Claim, claimDeliveries, countInFlight, holdReceipts } from './claim.store.js';
import {
  type ClaimCandidate,
  chooseClaims,
  claimsOf,
  type Gate,
  roomOf,
  STOPS_MAX,
} from './claim-policy.js';
import { keyIsHonoured } from './delivery-mapping.js';
import type { DeliveryParts } from './delivery-parts.service.js';
import { breakerOf, lockDestination, readDestination, spendTokens } from './destination.store.js';
import {
  type ClaimRow,
  hasFailingStop,
  lockDueDeliveries,
  lookForDue,
  type SeenDue,
} from './due-deliveries.store.js';
import { withoutForgottenKeys } from './key-memory.service.js';
import { withoutOvertakenResults } from './overtaken-results.service.js';
import { Sender } from './sender.service.js';
import { Settling } from './settling.service.js';
import { stopsMayLeave } from './stop-policy.js';
import { nextTokenAt, refilledTokens } from './token-bucket.js';
import { countedInAll } from './work-group.js';

/** What is due and finds no place, because other workers have them all, is looked for again after this. */
const LOOK_AGAIN_MS = 50;

/** Claims (T3), sends, and has it written how it ended (T4). */
export class Sending {
  readonly #parts: DeliveryParts;
  readonly #sender: Sender;
  readonly #settling: Settling;

  constructor(parts: DeliveryParts) {
    this.#parts = parts;
    this.#sender = new Sender(parts);
    this.#settling = new Settling(parts);
  }

  /**
   * T3: takes what may leave now and commits an attempt row for each before a byte leaves. A *conforms* is
   * taken only while its receipt is held and neither a stop nor a later statement is there (rule 21). Several claims may
   * be made side by side, and one of them may wait long for a receipt: what each took leaves as soon as it is committed,
   * also when the one beside it fails. Returns how many were taken.
   */
  async claim(
    destination: Destination,
    room: number,
    leave: (claim: Claim) => void,
  ): Promise<number> {
    if (room <= 0) return 0;
    const { database, clock } = this.#parts.options;
    const of = this.#dueQuery(destination, false);
    const now = clock.now();
    const found = await lookForDue(database.db, { ...of, now, limit: room });
    if (found.length === 0) return 0;
    const seen = found.slice(0, await this.#placesFree(destination, room, now));
    const claims = await Promise.allSettled(
      claimsOf(seen).map(async (part) => {
        const taken = await this.#claimSome(destination, part);
        await this.#sender.prepare(taken);
        for (const claim of this.#taken(taken)) leave(claim);
        return taken.length;
      }),
    );
    return countedInAll(claims);
  }

  /**
   * A first look at how many could leave, which locks nothing. Without it each look at a destination that is paused,
   * whose breaker is open, or where other processes have every place would begin transactions that wait for its row
   * only to find that nothing may leave.
   */
  async #placesFree({ name, timing }: Destination, room: number, now: Instant): Promise<number> {
    const { database, site } = this.#parts.options;
    // A process that has the database to itself knows what it sends.
    const { isShared } = dialectOf(database.db);
    const [row, inFlight] = await Promise.all([
      readDestination(database.db, site.site, name),
      isShared ? countInFlight(database.db, site.site, name) : 0,
    ]);
    if (row !== null && (row.paused === 1 || breakerAt(breakerOf(row), now) === 'open')) return 0;
    return isShared ? Math.max(0, Math.min(room, timing.inFlightMax - inFlight)) : room;
  }

  /**
   * One claim of as many as were seen, decided by what stands behind the locks: receipts first, then the
   * destination. Those asked for together share a commit where they can, and each sees what the one before took.
   */
  async #claimSome(destination: Destination, seen: readonly SeenDue[]): Promise<readonly Claim[]> {
    const { clock } = this.#parts.options;
    const of = this.#dueQuery(destination, false);
    const receipts = new Set(seen.filter((r) => r.barrier === 1).map((r) => r.receipt_id ?? ''));
    return await this.#parts.take(async (trx, worker) => {
      await holdReceipts(trx, of.site, receipts);
      const now = clock.now();
      const { ratePerSecond } = destination.timing;
      const row = await lockDestination(trx, of.site, destination.name, ratePerSecond, now);
      const gate = await this.#gate(trx, destination, row, receipts.size > 0, now);
      const limit = Math.min(seen.length, roomOf(gate));
      if (limit <= 0) return [];
      const due = await lockDueDeliveries(trx, { ...of, now, limit });
      const zone = this.#parts.options.site.timeZone;
      const standing = await withoutOvertakenResults(trx, due, { zone, now });
      const rows = standing.filter((r) => r.barrier === 0 || receipts.has(r.receipt_id ?? ''));
      const chosen = chooseClaims(rows.map(candidateOf), gate).flatMap(({ id }) =>
        rows.filter((r) => r.id === id),
      );
      // Behind the last lock, so that what it waited for them takes nothing from the sends' deadline.
      const began = this.#parts.begins();
      const leaving = await withoutForgottenKeys(trx, destination, chosen, began.at);
      const claims = await claimDeliveries(trx, leaving, worker, began);
      if (claims.length > 0) {
        await spendTokens(trx, of.site, destination.name, gate.tokens - claims.length, now);
      }
      return claims;
    });
  }

  /**
   * As `claim`, for stops: they ask for no room and no token and wait for nothing but a restore (rule 28), not
   * even for the claims of what else goes there.
   */
  async claimStops(destination: Destination): Promise<readonly Claim[]> {
    const { database, clock } = this.#parts.options;
    const of = { ...this.#dueQuery(destination, true), limit: STOPS_MAX };
    const seen = await lookForDue(database.db, { ...of, now: clock.now() });
    if (seen.length === 0) return [];
    const claims = await this.#parts.take(async (trx, worker) => {
      const row = await readDestination(trx, of.site, destination.name);
      if (!stopsMayLeave(row)) return [];
      const began = this.#parts.begins();
      const due = await lockDueDeliveries(trx, { ...of, now: began.at });
      return await claimDeliveries(trx, due, worker, began);
    });
    return this.#taken(claims);
  }

  /** Sends one claimed delivery and writes the outcome; several may run at once. */
  async deliver(destination: Destination, claim: Claim): Promise<void> {
    try {
      const sent = await this.#sender.send(destination, claim);
      await this.#settling.settle(destination, { claim, sent });
      reached('S13');
    } finally {
      this.#parts.busy.end(claim);
    }
  }

  /**
   * When something that is due now may leave: when the breaker lets a probe go or a token is there; soon, when
   * other workers have every place. Null when nothing is known to hold it.
   */
  async leavesAgainAt(
    destination: Destination,
    row: DestinationRow | null,
  ): Promise<Instant | null> {
    const { database, clock } = this.#parts.options;
    const now = clock.now();
    if (row?.paused === 1) return null;
    const opensAt = this.opensAt(destination, row);
    if (opensAt !== null) return opensAt;
    const of = { ...this.#dueQuery(destination, false), now, limit: 1 };
    const isDue = (await lookForDue(database.db, of)).length > 0;
    return isDue ? addMs(now, LOOK_AGAIN_MS) : null;
  }

  /** When the breaker lets a probe go or a token is there; null where neither holds anything. */
  opensAt(destination: Destination, row: DestinationRow | null): Instant | null {
    if (row === null || row.paused === 1) return null;
    return gateOpensAt(destination, row, this.#parts.options.clock.now());
  }

  /** Soon, when a stop that is due was passed over because somebody held its row; null when none is due that may leave. */
  async stopsLeaveAgainAt(destination: Destination): Promise<Instant | null> {
    const { database, clock } = this.#parts.options;
    const of = this.#dueQuery(destination, true);
    const now = clock.now();
    const due = await lookForDue(database.db, { ...of, now, limit: 1 });
    if (due.length === 0) return null;
    const row = await readDestination(database.db, of.site, destination.name);
    return stopsMayLeave(row) ? addMs(now, LOOK_AGAIN_MS) : null;
  }

  #dueQuery(destination: Destination, stops: boolean) {
    return {
      site: this.#parts.options.site.site,
      destination: destination.name,
      honoursKey: keyIsHonoured(destination),
      stops,
    };
  }

  #taken(claims: readonly Claim[]): readonly Claim[] {
    if (claims.length > 0) {
      reached('S8');
      reached('S9');
    }
    return claims;
  }

  async #gate(
    trx: Trx,
    destination: Destination,
    row: DestinationRow,
    hasConforms: boolean,
    now: Parameters<typeof refilledTokens>[3],
  ): Promise<Gate> {
    const { inFlightMax, ratePerSecond } = destination.timing;
    return {
      isPaused: row.paused === 1,
      breaker: breakerAt(breakerOf(row), now),
      inFlight: await countInFlight(trx, row.site, row.name),
      inFlightMax,
      tokens: refilledTokens(row.tokens, row.tokens_at, ratePerSecond, now),
      hasFailingStop: hasConforms && (await hasFailingStop(trx, row.site, row.name)),
    };
  }
}

function gateOpensAt(destination: Destination, row: DestinationRow, now: Instant): Instant | null {
  if (row.breaker === 'open' && row.breaker_until !== null && row.breaker_until > now) {
    return row.breaker_until;
  }
  const rate = destination.timing.ratePerSecond;
  const tokens = refilledTokens(row.tokens, row.tokens_at, rate, now);
  return tokens < 1 ? nextTokenAt(tokens, rate, now) : null;
}

function candidateOf(row: ClaimRow): ClaimCandidate {
  return {
    id: row.id,
    orderingKey: row.ordering_key,
    seq: row.seq,
    dueAt: row.due_at,
    isContrary: row.contrary === 1,
    isConforms: row.barrier === 1,
    aheadInKey: row.ahead_in_key,
    aheadInReceipt: row.ahead_in_receipt,
    isCurrent: row.is_current === 1,
  };
}
