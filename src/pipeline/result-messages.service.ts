import { uuidv7 } from 'uuidv7';
import { recordAudit, recordAudits } from '../audit/audit.store.js';
import type { ReadableExamination } from '../checks/examination.js';
import { type NewDelivery, resultKey } from '../delivery/new-delivery.js';
import {
  cancelUnsentResult,
  destinationsHolding,
  enqueueDelivery,
  supersedeUnheldResult,
} from '../delivery/outbox.store.js';
import { enqueueDeliveries } from '../delivery/outbox-rows.store.js';
import { type UntoldWithdrawal, untoldOfResults } from '../delivery/untold-withdrawals.store.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { ReceiptLocks } from '../receipts/receipt-locks.store.js';
import type { WithdrawalRecord } from '../records/result-record.js';
import type { SiteFolder } from '../site/site-folder.js';
import { type ActiveMapping, withoutWithdrawal } from '../statements/statement-messages.js';
import type { Trx } from '../storage/database.js';
import type { ResultRow } from '../storage/tables.js';
import { supersedersOf } from './settle.store.js';
import { ownerOf, type SettledResult } from './settled-result.js';

/** Values bound in one `in (…)`. */
const IDS = 1000;

export interface TakenBackResults {
  /** That lost evidence. */
  readonly receipts: readonly string[];
  readonly rowIds: ReadonlySet<string>;
}

/** What a message about a result needs to know of it. */
interface ResultToSend {
  readonly rowId: string;
  readonly resultId: string;
  readonly revision: number;
  readonly receiptId: string | null;
  readonly isContrary: boolean;
}

/** A result at the revision that is withdrawn, with the receipt that it was of. */
type WithdrawnResult = Pick<ResultRow, 'id' | 'result_id' | 'revision' | 'receipt_id'>;

/** Messages about single results: the result itself, and its withdrawal when it no longer stands. */
export class ResultMessages {
  constructor(
    private readonly site: SiteFolder,
    private readonly mappings: ReadonlyMap<string, ActiveMapping>,
    private readonly epoch: number,
  ) {}

  /** A delivery of every accepted result to every destination that takes results. */
  enqueue(trx: Trx, results: readonly SettledResult[], now: Instant): Promise<void> {
    const accepted = results.filter((result) => result.state === 'accepted');
    return this.#send(
      trx,
      accepted.map((result) => ({
        rowId: result.rowId,
        resultId: result.examined.reading.resultId ?? result.rowId,
        revision: 1,
        receiptId: ownerOf(result.match),
        isContrary: result.history.contrary,
      })),
      now,
    );
  }

  /** Destinations that results are sent to. */
  destinations(): string[] {
    return [...this.mappings]
      .filter(([, mapping]) => mapping.messages.includes('result'))
      .map(([destination]) => destination);
  }

  /** Puts results into the outbox, once for each destination that takes results, or those of `only`. */
  async #send(
    trx: Trx,
    results: readonly ResultToSend[],
    now: Instant,
    only: readonly string[] | null = null,
  ): Promise<void> {
    const deliveries: NewDelivery[] = [];
    for (const result of results) {
      for (const [destination, mapping] of this.mappings) {
        if (!mapping.messages.includes('result')) continue;
        if (only !== null && !only.includes(destination)) continue;
        deliveries.push({
          site: this.site.site,
          subjectKind: 'result',
          subjectId: result.rowId,
          subjectRevision: result.revision,
          receiptId: result.receiptId,
          destination,
          message: 'result',
          orderingKey: resultKey(result.resultId),
          isConforms: false,
          isContrary: result.isContrary,
          mappingDigest: mapping.digest,
          epoch: this.epoch,
          now,
        });
      }
    }
    await enqueueDeliveries(trx, deliveries);
  }

  /** Receipts whose evidence the supersessions of a bundle may take away: locked before anything is read. */
  async receiptsOfSuperseded(trx: Trx, examination: ReadableExamination): Promise<string[]> {
    const rows = await this.#superseded(
      trx,
      supersededIds(examination.results.map((r) => r.result)),
    );
    return rows.map((row) => row.receipt_id).filter((id) => id !== null);
  }

  /**
   * An operator may supersede a result that agreed. A contrary one stands whatever the operator says of it
   * (release-safety rule 12): taking it back needs a signed act. The same whichever of the two came first.
   */
  async takeBackSuperseded(
    trx: Trx,
    locks: ReceiptLocks,
    results: readonly SettledResult[],
    now: Instant,
  ): Promise<TakenBackResults> {
    const accepted = results.filter((r) => r.state === 'accepted');
    const ids = supersededIds(accepted.map((r) => r.examined.result));
    const superseded = (await this.#superseded(trx, ids))
      .filter((row) => !accepted.some((r) => r.rowId === row.id))
      .map((row) => ({ row, reason: reasonFor(row, accepted) }));
    const receipts: string[] = [];
    const rowIds = new Set<string>();
    const all = [...superseded, ...(await this.#comeLate(trx, accepted))].filter(
      ({ row }) => row.contrary !== 1 && row.state === 'accepted',
    );
    // Behind it as `AfterHolds.hold`, which may change the same row.
    if (all.some(({ row }) => row.receipt_id === null)) await locks.shareEvidence();
    for (const { row, reason } of all) {
      if (rowIds.has(row.id)) continue;
      const taken = await this.#takeBack(trx, row, reason, now);
      if (taken === undefined) continue;
      rowIds.add(row.id);
      const { receipt_id: owner } = taken;
      if (owner === null) continue;
      // As in `AfterHolds.hold`: an announcement may have had the row.
      if (owner !== row.receipt_id) await locks.add([owner]);
      receipts.push(owner);
    }
    return { receipts, rowIds };
  }

  /**
   * As `takeBackSuperseded`, for one that a signed act has just accepted. Returns the receipts that lost evidence.
   */
  async takeBackSupersededBy(
    trx: Trx,
    by: Pick<ResultRow, 'id' | 'result_id'>,
    superseded: readonly string[],
    now: Instant,
  ): Promise<string[]> {
    const receipts: string[] = [];
    for (const row of await this.#superseded(trx, superseded)) {
      if (row.contrary === 1 || row.state !== 'accepted' || row.id === by.id) continue;
      const reason = `superseded by ${by.result_id}, which a reviewer cleared`;
      const taken = await this.#takeBack(trx, row, reason, now);
      if (taken?.receipt_id != null) receipts.push(taken.receipt_id);
    }
    return receipts;
  }

  /** Results just stored that one of an earlier bundle has superseded already. */
  async #comeLate(
    trx: Trx,
    accepted: readonly SettledResult[],
  ): Promise<{ readonly row: ResultRow; readonly reason: string }[]> {
    const ids = accepted.flatMap(({ examined: { reading } }) => reading.resultId ?? []);
    const late: { row: ResultRow; reason: string }[] = [];
    for (let i = 0; i < ids.length; i += IDS) {
      const by = await supersedersOf(trx, this.site.site, ids.slice(i, i + IDS));
      const earlier = by.filter(({ id }) => !accepted.some((r) => r.rowId === id));
      if (earlier.length === 0) continue;
      const rows = await this.#superseded(
        trx,
        earlier.map(({ supersedes }) => supersedes).filter((id) => id !== null),
      );
      for (const row of rows) {
        const first = earlier.find(({ supersedes }) => supersedes === row.result_id);
        late.push({ row, reason: `superseded by ${first?.result_id}, which came before it` });
      }
    }
    return late;
  }

  /** The result as it is taken back; undefined when another transaction took it back meanwhile. */
  async #takeBack(
    trx: Trx,
    row: ResultRow,
    reason: string,
    now: Instant,
  ): Promise<Pick<ResultRow, 'receipt_id'> | undefined> {
    const { site } = this.site;
    const taken = await trx
      .updateTable('result')
      .set({ state: 'superseded' })
      .where('id', '=', row.id)
      .where('state', '=', 'accepted')
      .returning('receipt_id')
      .executeTakeFirst();
    if (taken === undefined) return undefined;
    const takenBack = await this.takeBackDeliveries(trx, { ...row, ...taken }, reason, now);
    await recordAudit(trx, {
      site,
      zone: this.site.timeZone,
      at: now,
      actor: { kind: 'system', name: 'checks' },
      action: 'result.superseded',
      subjectKind: 'result',
      subjectId: row.id,
      reason,
      before: { state: row.state },
      after: { state: 'superseded', ...takenBack },
    });
    return taken;
  }

  /** Of a result that no longer stands: cancels what was not sent, withdraws it where it may have arrived. */
  async takeBackDeliveries(
    trx: Trx,
    row: ResultRow,
    reason: string,
    now: Instant,
  ): Promise<{ readonly cancelled: readonly string[]; readonly withdrawnAt: readonly string[] }> {
    const { site } = this.site;
    const cancelled = await cancelUnsentResult(trx, site, row.id, reason);
    const withdrawnAt = await destinationsHolding(trx, site, row);
    if (withdrawnAt.length > 0) await this.#withdraw(trx, row, reason, withdrawnAt, now);
    await this.#withdrawEarlier(trx, row.id, reason, now);
    return { cancelled, withdrawnAt };
  }

  /**
   * Of a result that got another receipt or container: withdrawn as it was wherever it may have arrived, and sent as it
   * is now behind that, by the order of its key (release-safety rule 25).
   *
   * @param before as it was
   * @param receiptId it belongs to now
   */
  async sendAnew(
    trx: Trx,
    before: ResultRow,
    receiptId: string,
    reason: string,
    now: Instant,
  ): Promise<{ readonly withdrawnAt: readonly string[] }> {
    const { withdrawnAt } = await this.takeBackDeliveries(trx, before, reason, now);
    const after = { ...before, revision: before.revision + 1, receipt_id: receiptId };
    if (before.state === 'accepted') await this.sendAlone(trx, after, reason, now);
    else await this.#giveWay(trx, after, reason, now);
    return { withdrawnAt };
  }

  /**
   * Sends one result as it is now. What destinations got of its earlier revisions was withdrawn there, and this comes
   * behind that by the order of its key; what is stuck on the way to them gives way.
   */
  async sendAlone(trx: Trx, result: ResultRow, reason: string, now: Instant): Promise<void> {
    await this.#withdrawEarlier(trx, result.id, reason, now);
    await this.#giveWay(trx, result, reason, now);
    await this.#send(trx, [toSend(result)], now);
  }

  /** Sends one result, as it is now, to destinations that were never sent it so; what is stuck on the way to them gives way. */
  async sendTo(
    trx: Trx,
    result: ResultRow,
    destinations: readonly string[],
    reason: string,
    now: Instant,
  ): Promise<void> {
    await this.#giveWay(trx, result, reason, now);
    await this.#send(trx, [toSend(result)], now, destinations);
  }

  /** What nobody has of earlier revisions is not sent behind the later one's back. */
  async #giveWay(
    trx: Trx,
    result: Pick<ResultRow, 'id' | 'revision'>,
    reason: string,
    now: Instant,
  ): Promise<void> {
    const { site, timeZone: zone } = this.site;
    const given = await supersedeUnheldResult(trx, site, result, reason);
    const events = given.map(({ id, destination }) => ({
      site,
      zone,
      at: now,
      actor: { kind: 'system', name: 'checks' } as const,
      action: 'delivery.superseded',
      subjectKind: 'delivery',
      subjectId: id,
      reason,
      before: { destination, message: 'result' },
      after: { state: 'superseded', by: `revision ${result.revision}` },
    }));
    if (events.length > 0) await recordAudits(trx, events);
  }

  /** Those of these destinations that take results and cannot be told that one was withdrawn. */
  withoutWithdrawal(destinations: readonly string[]): string[] {
    return withoutWithdrawal(destinations, this.mappings);
  }

  /**
   * Withdraws what destinations were never told to, under the withdrawal that others got of the same revision.
   *
   * @returns what was put into the outbox: nothing for those whose mapping has no withdrawal, or that have no mapping, nor
   * behind a later revision that has left already
   */
  async withdrawUntold(
    trx: Trx,
    untold: readonly UntoldWithdrawal[],
    reason: string,
    now: Instant,
  ): Promise<readonly UntoldWithdrawal[]> {
    const told: UntoldWithdrawal[] = [];
    for (const one of untold) {
      const { rowId, revision, receiptId, destination, result } = one;
      if (one.overtakenBy !== null) continue;
      if (!this.mappings.get(destination)?.messages.includes('withdrawal')) continue;
      const { resultId } = result;
      const row = { id: rowId, result_id: resultId, revision, receipt_id: receiptId };
      const id = await this.#withdrawalOf(trx, row, reason, now);
      await this.#sendWithdrawal(trx, id, row, [destination], now);
      told.push(one);
    }
    return told;
  }

  /** What a destination that was away was never told leaves before anything later of the same result does. */
  async #withdrawEarlier(trx: Trx, rowId: string, reason: string, now: Instant): Promise<void> {
    const untold = await untoldOfResults(trx, this.site.site, [rowId]);
    await this.withdrawUntold(trx, untold, reason, now);
  }

  async #withdraw(
    trx: Trx,
    row: WithdrawnResult,
    reason: string,
    destinations: readonly string[],
    now: Instant,
  ): Promise<void> {
    const id = await this.#withdrawalOf(trx, row, reason, now);
    await this.#sendWithdrawal(trx, id, row, destinations, now);
  }

  /** The one withdrawal that there is of a revision; returns its id. */
  async #withdrawalOf(
    trx: Trx,
    row: WithdrawnResult,
    reason: string,
    now: Instant,
  ): Promise<string> {
    const known = await trx
      .selectFrom('withdrawal')
      .select('id')
      .where('result_row_id', '=', row.id)
      .where('result_revision', '=', row.revision)
      .executeTakeFirst();
    return known?.id ?? (await this.#writeWithdrawal(trx, row, reason, now));
  }

  /** Returns its id. */
  async #writeWithdrawal(
    trx: Trx,
    row: WithdrawnResult,
    reason: string,
    now: Instant,
  ): Promise<string> {
    const { site } = this.site;
    const withdrawalId = uuidv7();
    const document: WithdrawalRecord = {
      schema: 'drumline-withdrawal',
      version: '1.0',
      site,
      withdrawalId,
      resultId: row.result_id,
      resultRevision: row.revision,
      reason,
      issuedAt: formatInstant(now),
      environment: this.site.environment,
      receiptId: row.receipt_id,
    };
    await trx
      .insertInto('withdrawal')
      .values({
        id: withdrawalId,
        site,
        result_row_id: row.id,
        result_id: row.result_id,
        result_revision: row.revision,
        receipt_id: row.receipt_id,
        reason,
        document: JSON.stringify(document),
        issued_at: now,
      })
      .execute();
    return withdrawalId;
  }

  async #sendWithdrawal(
    trx: Trx,
    withdrawalId: string,
    row: WithdrawnResult,
    destinations: readonly string[],
    now: Instant,
  ): Promise<void> {
    const { site } = this.site;
    for (const destination of destinations) {
      const mapping = this.mappings.get(destination);
      if (!mapping?.messages.includes('withdrawal')) continue;
      await enqueueDelivery(trx, {
        site,
        subjectKind: 'withdrawal',
        subjectId: withdrawalId,
        subjectRevision: row.revision,
        receiptId: row.receipt_id,
        destination,
        message: 'withdrawal',
        // Behind the result it withdraws.
        orderingKey: resultKey(row.result_id),
        isConforms: false,
        isContrary: true,
        mappingDigest: mapping.digest,
        epoch: this.epoch,
        now,
      });
    }
  }

  async #superseded(trx: Trx, ids: readonly string[]): Promise<ResultRow[]> {
    const rows: ResultRow[] = [];
    for (let i = 0; i < ids.length; i += IDS) {
      rows.push(
        ...(await trx
          .selectFrom('result')
          .selectAll()
          .where('site', '=', this.site.site)
          .where('result_id', 'in', ids.slice(i, i + IDS))
          .execute()),
      );
    }
    return rows;
  }
}

function toSend(result: ResultRow): ResultToSend {
  return {
    rowId: result.id,
    resultId: result.result_id,
    revision: result.revision,
    receiptId: result.receipt_id,
    isContrary: result.contrary === 1,
  };
}

type MaybeResult = SettledResult['examined']['result'];

function supersededIds(results: readonly MaybeResult[]): string[] {
  return [...new Set(results.flatMap((r) => (r?.supersedes ? [r.supersedes.resultId] : [])))];
}

function reasonFor(row: ResultRow, accepted: readonly SettledResult[]): string {
  const by = accepted.find((r) => r.examined.result?.supersedes?.resultId === row.result_id);
  const words = by?.examined.result?.supersedes?.reason ?? '';
  return `superseded by ${by?.examined.reading.resultId ?? 'a later result'}: ${words}`;
}
