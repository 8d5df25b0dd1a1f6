import { sha256 } from '../formats/canonical-json.js';
import { addMs } from '../formats/instant.js';
import { describeProblem } from '../mapping/mapping-problem.js';
import type { BuiltPayload } from '../mapping/payload.js';
import { lockReceipts, lockReceiptsMarking, markEvaluationDue } from '../receipts/facts.store.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { DeliveryFault, DeliveryRow } from '../storage/tables.js';
import { claimBuilds, isBuildDue, savePayload } from './build.store.js';
import { faultOf, messageName } from './delivery-mapping.js';
import type { DeliveryParts, Recognition } from './delivery-parts.service.js';
import { auditDelivery, changeDelivery, type DeliveryChange, type Held } from './outcome.store.js';
import { STOP_RETRY_MAX_MS } from './stop-policy.js';

/** Payloads built at once for one destination. */
export const BUILD_MAX = 16;
const REASON_MAX = 2_000;

type Built =
  | { readonly ok: true; readonly payload: BuiltPayload }
  | { readonly ok: false; readonly fault: DeliveryFault; readonly reason: string };

/** Builds payloads outside every transaction and saves each by an update that names state and fence. */
export class Building {
  readonly #parts: DeliveryParts;

  constructor(parts: DeliveryParts) {
    this.#parts = parts;
  }

  /** Builds what is due and has no payload, at most `BUILD_MAX`; returns how many were taken. */
  async buildDue(destination: Destination): Promise<number> {
    const claimed = await this.claim(destination, false, BUILD_MAX);
    const builds = claimed.map((build) => this.build(destination, build));
    for (const end of await Promise.allSettled(builds)) {
      if (end.status === 'rejected') throw end.reason;
    }
    return claimed.length;
  }

  /** Takes what is due and has no payload, at most `room`. */
  async claim(
    destination: Destination,
    stopsOnly: boolean,
    room: number,
  ): Promise<readonly DeliveryRow[]> {
    if (room <= 0) return [];
    const { database, site, clock } = this.#parts.options;
    const of = {
      site: site.site,
      destination: destination.name,
      stopsOnly,
      now: clock.now(),
      limit: room,
    };
    if (!(await isBuildDue(database.db, of))) return [];
    const { afterRecovery } = this.#parts.options;
    if (!stopsOnly && (await afterRecovery?.isRecovering())) return [];
    return await this.#parts.take((trx, worker) => claimBuilds(trx, of, worker));
  }

  /** Builds one taken delivery and saves its payload, or why there is none. */
  async build(destination: Destination, row: DeliveryRow): Promise<void> {
    const held: Held = { id: row.id, state: 'building', fence: row.fence };
    try {
      const built = await this.#build(row);
      if (built.ok) await this.#save(row, built.payload);
      else await this.#parts.settle((trx) => this.#saveFailure(trx, destination, row, held, built));
    } catch (error) {
      // A defect or a full disk, not a fault of the delivery: it is built again later.
      const due_at = addMs(this.#parts.options.clock.now(), destination.timing.retryMaxMs);
      await this.#parts.options.database.transact((trx) =>
        changeDelivery(trx, held, { state: 'due', due_at, claimed_by: null }),
      );
      throw error;
    } finally {
      this.#parts.busy.end(row);
    }
  }

  async #build(row: DeliveryRow): Promise<Built> {
    const { loadSubject, mapping } = this.#parts.options;
    const subject = await loadSubject(row);
    if (subject === null) {
      const reason = `${row.subject_kind} ${row.subject_id} revision ${row.subject_revision} is not there`;
      return { ok: false, fault: 'mapping', reason };
    }
    const outcome = await mapping.build(row.mapping_digest, messageName(row), subject);
    if (outcome.ok) return outcome;
    const reason = outcome.problems.map(describeProblem).join('\n').slice(0, REASON_MAX);
    return { ok: false, fault: faultOf(outcome), reason };
  }

  async #save(row: DeliveryRow, payload: BuiltPayload): Promise<void> {
    const { database, mapping } = this.#parts.options;
    const { bytes, contentType } = payload;
    const digest = sha256(bytes);
    const request = JSON.stringify(payload.request);
    const { document } = await mapping.forDigest(row.mapping_digest);
    this.#parts.payloads.keep(digest, document.format, bytes);
    const saved: DeliveryRow = { ...row, state: 'due', payload_sha256: digest, request };
    const recognition = await this.#recognise(saved);
    await database.transact(async (trx) => {
      if (recognition !== null && row.receipt_id !== null) {
        await lockReceiptsMarking(trx, row.site, [row.receipt_id], new Set([row.receipt_id]));
      }
      const payload = { sha256: digest, bytes, contentType, request };
      const isSaved = await savePayload(trx, row, payload);
      if (isSaved && recognition !== null) await recognition(trx, saved);
    });
  }

  /** What a life before a restore has sent is recognised; what is asked about by its own reference needs none. */
  async #recognise(saved: DeliveryRow): Promise<Recognition | null> {
    const { afterRecovery } = this.#parts.options;
    if (afterRecovery === undefined || saved.attempts > 0 || saved.ask_since !== null) return null;
    return await afterRecovery.recognise(saved);
  }

  /** A stop is never parked: it is built again while a person is called (rule 22). */
  async #saveFailure(
    trx: Trx,
    destination: Destination,
    row: DeliveryRow,
    held: Held,
    { fault, reason }: Extract<Built, { ok: false }>,
  ): Promise<readonly string[]> {
    const { clock, site } = this.#parts.options;
    const now = clock.now();
    const receipts = row.receipt_id === null ? [] : [row.receipt_id];
    await lockReceipts(trx, row.site, receipts);
    const retryAt = addMs(now, Math.min(destination.timing.retryMaxMs, STOP_RETRY_MAX_MS));
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
