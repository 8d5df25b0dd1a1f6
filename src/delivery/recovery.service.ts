import { addMs, type Instant, msBetween } from '../formats/instant.js';
import { lockReceipts, markEvaluationDue } from '../receipts/facts.store.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { holdConforms } from './claim.store.js';
import { canBeAsked, factReceipts, keyIsHonoured, messageName } from './delivery-mapping.js';
import type { DeliveryParts } from './delivery-parts.service.js';
import { maySendAgain, unmoved } from './due-deliveries.store.js';
import { keyHolds } from './key-memory.service.js';
import { nextStep, triesOf } from './next-step.js';
import { auditDeliveries, auditDelivery, changeDelivery, finishAttempts } from './outcome.store.js';
import { endOverlongWaits, hasOverlongWaits } from './overlong-waits.store.js';
import { heldByWorker, leftByGoneWorkers, openAttempts } from './recovery.store.js';
import { RETRY_AFTER_MAX_MS } from './retry-after.js';
import { changeOfStep } from './step-change.js';
import { nextStopStep } from './stop-policy.js';

/**
 * What waits to be sent again and cannot be is looked for no oftener: only another site folder, or what an older version
 * wrote, leaves any.
 */
const LOOK_FOR_UNMOVED_EVERY_MS = 30_000;

const NOBODY_MOVES = 'it waited to be sent again, and nothing would send it';
const LOST = 'the process ended before the outcome was written';

/**
 * Takes up what nobody will end any more: builds are due again, sends are doubtful, because nobody can say
 * whether a byte left. What a live worker holds is never touched, however long it takes.
 */
export class Recovery {
  readonly #parts: DeliveryParts;
  #unmovedLookedAt: Instant | null = null;

  constructor(parts: DeliveryParts) {
    this.#parts = parts;
  }

  /** What workers left that are stopped or were declared dead; returns how many deliveries were taken up. */
  async recover(now: Instant): Promise<number> {
    const { database, site } = this.#parts.options;
    return await this.#takeUp(await leftByGoneWorkers(database.db, site.site), now);
  }

  /** Ends waits that a clock which has gone back since made longer than any may be; true when there were some. */
  async endOverlongWaits(now: Instant): Promise<boolean> {
    const { database, site } = this.#parts.options;
    const of = { site: site.site, now, latest: addMs(now, longestWaitMs(site.destinations)) };
    if (!(await hasOverlongWaits(database.db, of))) return false;
    await database.transact((trx) => endOverlongWaits(trx, of));
    return true;
  }

  /**
   * Doubts that wait to be sent again although the destination, by the folder in force, would take them twice, or nothing
   * was built: nobody would move them. Returns how many are asked about, or built, now.
   */
  async moveUnmoved(now: Instant): Promise<number> {
    const before = this.#unmovedLookedAt;
    const isSoon = before !== null && Math.abs(msBetween(before, now)) < LOOK_FOR_UNMOVED_EVERY_MS;
    if (isSoon) return 0;
    this.#unmovedLookedAt = now;
    let moved = 0;
    for (const destination of this.#parts.options.site.destinations) {
      moved += await this.#moveUnmovedAt(destination, now);
    }
    return moved;
  }

  async #moveUnmovedAt(destination: Destination, now: Instant): Promise<number> {
    const { database, site } = this.#parts.options;
    const honoursKey = keyIsHonoured(destination);
    const of = { site: site.site, destination: destination.name, honoursKey };
    for (let moved = 0; ; ) {
      const rows = await unmoved(database.db, of);
      if (rows.length === 0) return moved;
      const done = await database.transact(async (trx) => {
        const common = { zone: site.timeZone, at: now, reason: NOBODY_MOVES };
        const entries = [];
        for (const row of rows) {
          const after = movedOn(row, now);
          if (!(await changeDelivery(trx, row, after))) continue;
          entries.push({ ...common, row, action: 'delivery.doubt-taken-up', after });
        }
        await auditDeliveries(trx, entries);
        return entries.length;
      });
      // Somebody else moves them.
      if (done === 0) return moved;
      moved += done;
    }
  }

  /** After a failed write: what this process holds and does not work on. */
  async recoverOwn(now: Instant): Promise<number> {
    const { database, site, worker } = this.#parts.options;
    const held = await heldByWorker(database.db, site.site, worker.id);
    return await this.#takeUp(await this.#parts.busy.orphans(held), now);
  }

  async #takeUp(rows: readonly DeliveryRow[], now: Instant): Promise<number> {
    const { database, site } = this.#parts.options;
    // What goes elsewhere is for a process that knows the place: here nobody could say how to ask there.
    const known = rows.filter((row) =>
      site.destinations.some(({ name }) => name === row.destination),
    );
    for (const row of known) {
      if (row.state === 'sending') {
        await this.#doubt(row, now);
        continue;
      }
      const held = { id: row.id, state: 'building', fence: row.fence } as const;
      await database.transact((trx) =>
        changeDelivery(trx, held, { state: 'due', claimed_by: null }),
      );
    }
    return known.length;
  }

  async #doubt(row: DeliveryRow, now: Instant): Promise<void> {
    const { mapping } = this.#parts.options;
    const destination = this.#parts.destination(row.destination);
    const { document } = await mapping.forDigest(row.mapping_digest);
    const readBack = document.messages[messageName(row)]?.readBack ?? null;
    const facts = {
      attempts: triesOf(row),
      askable: canBeAsked(destination, readBack),
      wasUncertain: false,
      wasDenied: false,
    };
    await this.#parts.settle((trx) => this.#write(trx, row, facts, now));
  }

  async #write(
    trx: Trx,
    row: DeliveryRow,
    facts: Omit<Parameters<typeof nextStep>[0], 'maySend' | 'honoursKey'>,
    now: Instant,
  ): Promise<readonly string[]> {
    const { random, site } = this.#parts.options;
    const { timing } = this.#parts.destination(row.destination);
    const receipts = factReceipts(row);
    await holdConforms(trx, row.site, [row]);
    await lockReceipts(trx, row.site, receipts);
    const full = {
      ...facts,
      honoursKey: await keyHolds(trx, this.#parts.destination(row.destination), row, now),
      maySend: await maySendAgain(trx, row),
    };
    const decide = row.message === 'stop' ? nextStopStep : nextStep;
    const step = decide(full, { kind: 'uncertain', detail: LOST }, timing, now, random());
    const change = changeOfStep(step, row.fault, LOST, now);
    const held = { id: row.id, state: 'sending', fence: row.fence } as const;
    // Somebody else may take up the same, and send it again before this is written.
    if (!(await changeDelivery(trx, held, change))) return [];
    const end = { outcome: 'lost', status: null, answer: null, detail: LOST };
    const open = await openAttempts(trx, row);
    await finishAttempts(
      trx,
      open.map((id) => ({ id, ...end })),
      now,
    );
    await auditDelivery(trx, row, {
      zone: site.timeZone,
      at: now,
      action: 'delivery.interrupted',
      reason: LOST,
      after: change,
    });
    await markEvaluationDue(trx, row.site, receipts);
    return receipts;
  }
}

/** Asked about now, which parks what cannot be; what has no payload is built first, and asked about then. */
function movedOn(row: DeliveryRow, now: Instant) {
  const fence = row.fence + 1;
  return row.payload_sha256 === null
    ? ({ state: 'due', due_at: now, ask_since: row.ask_since ?? now, fence } as const)
    : ({ state: 'uncertain', next_ask_at: now, fence } as const);
}

/** Longer than any wait that a destination's timing or its own words can ask for. */
function longestWaitMs(destinations: readonly Destination[]): number {
  const waits = destinations.map(({ timing }) => {
    const { deadlineMs, processingMs, settleMs, retryMaxMs } = timing;
    return Math.max(retryMaxMs, deadlineMs + processingMs + settleMs, RETRY_AFTER_MAX_MS);
  });
  return 2 * Math.max(...waits, RETRY_AFTER_MAX_MS);
}
