import { sha256 } from '../formats/canonical-json.js';
import { addMs } from '../formats/instant.js';
import { describeProblem } from '../mapping/mapping-problem.js';
import type { BuiltPayload } from '../mapping/payload.js';
import { lockReceipts, lockReceiptsMarking, markEvaluationDue } from '../receipts/facts.store.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { DeliveryFault, DeliveryRow } from '../storage/tables.js';
import {
  type BuiltDelivery,
  claimBuilds,
  isBuildDue,
  type StoredPayload,
  savePayloads,
  takeUnbuilt,
} from './build.store.js';
import { faultOf, messageName } from './delivery-mapping.js';
import type { DeliveryParts, Recognition } from './delivery-parts.service.js';
import { auditDelivery, changeDelivery, type DeliveryChange, type Held } from './outcome.store.js';
import { stopRetryMaxMs } from './stop-policy.js';
import { Together } from './together.service.js';

/** Payloads built at once for one destination. */
export const BUILD_MAX = 32;
/** Commits of payloads at once. */
const SAVES_MAX = 2;
const REASON_MAX = 2_000;

/** A payload, or why there is none. */
export type Built =
  | { readonly ok: true; readonly payload: BuiltPayload }
  | { readonly ok: false; readonly fault: DeliveryFault; readonly reason: string };

/** Builds payloads outside every transaction and saves each by an update that names state and fence. */
export class Building {
  readonly #parts: DeliveryParts;
  readonly #saves: Together<BuiltDelivery>;

  constructor(parts: DeliveryParts) {
    this.#parts = parts;
    this.#saves = new Together({
      write: async (built) => {
        await parts.options.database.transact((trx) => savePayloads(trx, built));
      },
      itemsMax: BUILD_MAX,
      commitsMax: SAVES_MAX,
    });
  }

  /** Builds what is due and has no payload, stops aside, at most `BUILD_MAX`; returns how many were taken. */
  async buildDue(destination: Destination): Promise<number> {
    const claimed = await this.claim(destination, BUILD_MAX);
    const builds = claimed.map((build) => this.build(destination, build));
    for (const end of await Promise.allSettled(builds)) {
      if (end.status === 'rejected') throw end.reason;
    }
    return claimed.length;
  }

  /** Takes what is due and has no payload, stops aside, at most `room`. */
  async claim(destination: Destination, room: number): Promise<readonly DeliveryRow[]> {
    if (room <= 0) return [];
    const { database, site, clock } = this.#parts.options;
    const of = {
      site: site.site,
      destination: destination.name,
      now: clock.now(),
      limit: room,
    };
    if (!(await isBuildDue(database.db, of))) return [];
    const { afterRecovery } = this.#parts.options;
    if (await afterRecovery?.isRecovering()) return [];
    return await this.#parts.take((trx, worker) => claimBuilds(trx, of, worker));
  }

  /** Builds one taken delivery and saves its payload, or why there is none. */
  async build(destination: Destination, row: DeliveryRow): Promise<void> {
    const { id, fence, message } = row;
    const held = { id, state: 'building', fence, message } as const;
    try {
      const built = await this.make(row);
      if (built.ok) await this.#save(row, await this.stored(row, built.payload));
      else
        await this.#parts.settle((trx) =>
          this.#saveFailure(trx, destination, row, built, async () => held),
        );
    } catch (error) {
      await this.postpone(destination, held);
      throw error;
    } finally {
      this.#parts.busy.end(row);
    }
  }

  /**
   * What a life before a restore has sent is recognised in the commit that saves it, behind its receipt's lock;
   * anything else shares a commit.
   */
  async #save(row: DeliveryRow, payload: StoredPayload): Promise<void> {
    const { sha256: digest, request } = payload;
    const saved: DeliveryRow = { ...row, state: 'due', payload_sha256: digest, request };
    const recognition = await this.#recognise(saved);
    if (recognition === null) {
      await this.#saves.add({ row, payload });
      return;
    }
    const receipts = row.receipt_id === null ? [] : [row.receipt_id];
    await this.#parts.settle(async (trx) => {
      await lockReceiptsMarking(trx, row.site, receipts, new Set(receipts));
      if ((await savePayloads(trx, [{ row, payload }])) === 0) return [];
      await recognition(trx, saved);
      return receipts;
    });
  }

  /** What is asked about by its own reference need not be recognised. */
  async #recognise(saved: DeliveryRow): Promise<Recognition | null> {
    const { afterRecovery } = this.#parts.options;
    if (afterRecovery === undefined || saved.attempts > 0 || saved.ask_since !== null) return null;
    return await afterRecovery.recognise(saved);
  }

  /** After a defect or a full disk, which is no fault of the delivery: it is built again later, and others first. */
  async postpone(
    { timing }: Destination,
    held: Held & Pick<DeliveryRow, 'message'>,
  ): Promise<void> {
    const waitMs = held.message === 'stop' ? stopRetryMaxMs(timing) : timing.retryMaxMs;
    const due_at = addMs(this.#parts.options.clock.now(), waitMs);
    await this.#parts.options.database.transact((trx) =>
      changeDelivery(trx, held, { state: 'due', due_at, claimed_by: null }),
    );
  }

  /** Builds a payload; nothing is written. */
  async make(row: DeliveryRow): Promise<Built> {
    const { database, loadSubject, mapping } = this.#parts.options;
    const subject = await loadSubject(database.db, row);
    if (subject === null) {
      const reason = `${row.subject_kind} ${row.subject_id} revision ${row.subject_revision} is not there`;
      return { ok: false, fault: 'mapping', reason };
    }
    const outcome = await mapping.build(row.mapping_digest, messageName(row), subject);
    if (outcome.ok) return outcome;
    const reason = outcome.problems.map(describeProblem).join('\n').slice(0, REASON_MAX);
    return { ok: false, fault: faultOf(outcome), reason };
  }

  /** A built payload in the form it is stored in, and kept at hand since it is sent next. */
  async stored(
    row: Pick<DeliveryRow, 'mapping_digest'>,
    payload: BuiltPayload,
  ): Promise<StoredPayload> {
    const { bytes, contentType } = payload;
    const digest = sha256(bytes);
    const { document } = await this.#parts.options.mapping.forDigest(row.mapping_digest);
    this.#parts.payloads.keep(digest, document.format, bytes);
    return { sha256: digest, bytes, contentType, request: JSON.stringify(payload.request) };
  }

  /** Writes why a stop that nobody has claimed could not be built. */
  async failUnclaimed(
    destination: Destination,
    row: DeliveryRow,
    failure: Extract<Built, { ok: false }>,
  ): Promise<void> {
    const { id } = this.#parts.options.worker;
    await this.#parts.settle((trx) =>
      this.#saveFailure(trx, destination, row, failure, async () =>
        (await takeUnbuilt(trx, row, id))
          ? { id: row.id, state: 'building', fence: row.fence + 1 }
          : null,
      ),
    );
  }

  /**
   * A stop is never parked: it is built again while a person is called (rule 22).
   *
   * @param hold says how the delivery is held, once its receipt is locked; null when it is not any more
   */
  async #saveFailure(
    trx: Trx,
    destination: Destination,
    row: DeliveryRow,
    { fault, reason }: Extract<Built, { ok: false }>,
    hold: () => Promise<Held | null>,
  ): Promise<readonly string[]> {
    const { clock, site } = this.#parts.options;
    const now = clock.now();
    const receipts = row.receipt_id === null ? [] : [row.receipt_id];
    await lockReceipts(trx, row.site, receipts);
    const held = await hold();
    if (held === null) return [];
    const retryAt = addMs(now, stopRetryMaxMs(destination.timing));
    const change: DeliveryChange =
      row.message === 'stop'
        ? { state: 'due', due_at: retryAt, fault, reason, claimed_by: null }
        : { state: 'parked', fault, reason, claimed_by: null };
    const isChanged = await changeDelivery(trx, held, change);
    if (!isChanged || (row.fault === fault && row.reason === reason)) return [];
    await auditDelivery(trx, row, {
      zone: site.timeZone,
      at: now,
      action: change.state === 'parked' ? 'delivery.parked' : 'delivery.build-failed',
      reason,
      after: change,
    });
    await markEvaluationDue(trx, row.site, receipts);
    return receipts;
  }
}
