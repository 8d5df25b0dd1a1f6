import { setImmediate as nextTurn } from 'node:timers/promises';
import type { Instant } from '../formats/instant.js';
import { lockReceipts, markEvaluationDue } from '../receipts/facts.store.js';
import type { Trx } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { releaseKey } from './claim.store.js';
import { canBeAsked, keyIsHonoured, messageName } from './delivery-mapping.js';
import type { DeliveryParts } from './delivery-parts.service.js';
import { maySendByRule21 } from './due-deliveries.store.js';
import { nextStep } from './next-step.js';
import { auditDelivery, changeDelivery, finishAttempt } from './outcome.store.js';
import { openAttempts, unfinishedDeliveries } from './recovery.store.js';
import { changeOfStep } from './step-change.js';
import { nextStopStep } from './stop-policy.js';

const LOST = 'the process ended before the outcome was written';

/**
 * Takes up what a process that is gone left behind: builds are due again, sends are doubtful, because
 * nobody can say whether a byte left.
 */
export class Recovery {
  readonly #parts: DeliveryParts;

  constructor(parts: DeliveryParts) {
    this.#parts = parts;
  }

  /** Returns how many deliveries were taken up. */
  async recover(now: Instant): Promise<number> {
    const { database, site } = this.#parts.options;
    const isOrphan = (row: DeliveryRow) => !this.#parts.busy.has(row.id);
    const building = await unfinishedDeliveries(database.db, site.site, 'building');
    const sending = await unfinishedDeliveries(database.db, site.site, 'sending');
    // A claim that committed a moment ago says so on its next turn.
    await nextTurn();
    const builds = building.filter(isOrphan);
    const sends = sending.filter(isOrphan);
    for (const row of builds) {
      const held = { id: row.id, state: 'building', fence: row.fence } as const;
      await database.transact((trx) =>
        changeDelivery(trx, held, { state: 'due', claimed_by: null }),
      );
    }
    for (const row of sends) await this.#doubt(row, now);
    return builds.length + sends.length;
  }

  async #doubt(row: DeliveryRow, now: Instant): Promise<void> {
    const { mapping } = this.#parts.options;
    const destination = this.#parts.destination(row.destination);
    const { document } = await mapping.forDigest(row.mapping_digest);
    const readBack = document.messages[messageName(row)]?.readBack ?? null;
    const facts = {
      attempts: row.attempts,
      honoursKey: keyIsHonoured(destination),
      askable: canBeAsked(destination, readBack),
      wasUncertain: false,
      wasDenied: false,
    };
    await this.#parts.settle((trx) => this.#write(trx, row, facts, now));
  }

  async #write(
    trx: Trx,
    row: DeliveryRow,
    facts: Omit<Parameters<typeof nextStep>[0], 'maySend'>,
    now: Instant,
  ): Promise<readonly string[]> {
    const { random, site } = this.#parts.options;
    const { timing } = this.#parts.destination(row.destination);
    const receipts = row.message === 'statement' || row.receipt_id === null ? [] : [row.receipt_id];
    await lockReceipts(trx, row.site, receipts);
    for (const attemptId of await openAttempts(trx, row.id)) {
      const end = { outcome: 'lost', status: null, answer: null, detail: LOST };
      await finishAttempt(trx, attemptId, { finishedAt: now, ...end });
    }
    if (row.claimed_by !== null) await releaseKey(trx, row, row.claimed_by);
    const full = { ...facts, maySend: await maySendByRule21(trx, row) };
    const decide = row.message === 'stop' ? nextStopStep : nextStep;
    const step = decide(full, { kind: 'uncertain', detail: LOST }, timing, now, random());
    const change = changeOfStep(step, row.fault, LOST, now);
    const held = { id: row.id, state: 'sending', fence: row.fence } as const;
    if (!(await changeDelivery(trx, held, change))) return [];
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
