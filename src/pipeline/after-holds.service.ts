import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import type { EarlierFinding } from '../checks/history-facts.js';
import type { Instant } from '../formats/instant.js';
import { insertFindings } from '../intake/bundles.store.js';
import type { ReceiptLocks } from '../receipts/receipt-locks.store.js';
import { receiptsRefusedBesideResults } from '../receipts/refused-beside.store.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { ResultRow } from '../storage/tables.js';
import { codesOn, holdAccepted, resultRowsByIds } from './after-holds.store.js';
import type { ResultMessages } from './result-messages.service.js';
import { findingRow } from './settled-result.js';

/** What was put on hold, and the receipts that lost evidence by it or rest on a review that is void now. */
interface HeldAfterwards {
  readonly receipts: ReadonlySet<string>;
  readonly rowIds: ReadonlySet<string>;
}

/**
 * Holds results that were accepted before, by what a later bundle says about them (release-safety rules 8 and 9): part
 * of the transaction that settles it, which evaluates the receipts in it. What was not sent yet is cancelled, what may
 * have arrived is withdrawn behind it. One that is held already gets the finding all the same, so that it is not
 * cleared without it; one that was refused or superseded counts for nothing any more and stays as it is.
 */
export class AfterHolds {
  constructor(
    private readonly site: SiteFolder,
    private readonly messages: ResultMessages,
  ) {}

  /**
   * Locks the receipts of these results, and of those refused beside them. A signed act may move one while its lock is
   * waited for.
   */
  async lock(trx: Trx, locks: ReceiptLocks, about: readonly EarlierFinding[]): Promise<void> {
    if (about.length === 0) return;
    const beside = await this.#beside(trx, about);
    let receipts: readonly (string | null)[] = [
      ...about.map(({ receiptId }) => receiptId),
      ...beside,
    ];
    for (const locked = new Set<string>(); ; ) {
      const ids = receipts.filter((id) => id !== null && !locked.has(id)) as string[];
      if (ids.length === 0) return;
      await locks.add(ids);
      for (const id of ids) locked.add(id);
      receipts = [
        ...(await this.#rows(trx, about)).map((row) => row.receipt_id),
        ...(await this.#beside(trx, about)),
      ];
    }
  }

  /**
   * Called behind `lock`, and behind everything that takes the site's evidence for itself: results without a receipt
   * are changed behind a share of it, as all do, so that nobody holds such a row while waiting for the evidence.
   */
  async hold(
    trx: Trx,
    locks: ReceiptLocks,
    about: readonly EarlierFinding[],
    now: Instant,
  ): Promise<HeldAfterwards> {
    const receipts = new Set<string>();
    const rowIds = new Set<string>();
    if (about.length === 0) return { receipts, rowIds };
    let found = await this.#rows(trx, about);
    if (found.some((row) => row.receipt_id === null)) {
      await locks.shareEvidence();
      // Until then a signed act may have given one to a receipt.
      found = await this.#rows(trx, about);
    }
    const rows = new Map(found.map((row) => [row.id, row]));
    const known = await codesOn(trx, [...rows.values()]);
    for (const { rowId, finding } of about) {
      const row = rows.get(rowId);
      if (row === undefined || known.has(`${rowId} ${finding.code}`)) continue;
      if (row.state !== 'accepted' && row.state !== 'held') continue;
      const isTaken = row.state === 'accepted' && !rowIds.has(rowId);
      const taken = isTaken ? await holdAccepted(trx, rowId) : row;
      if (taken === undefined) continue;
      const { receipt_id: owner } = taken;
      // An announcement shares the evidence too, and may have had the row: then the receipt is locked from the start.
      if (owner !== null && owner !== row.receipt_id) await locks.add([owner]);
      const at = { site: row.site, bundleRowId: row.bundle_row_id, resultRowId: rowId };
      await insertFindings(trx, [findingRow(finding, { ...at, id: uuidv7() })]);
      const reason = `held, ${finding.code}: ${finding.message}`;
      const told = isTaken
        ? await this.messages.takeBackDeliveries(trx, { ...row, receipt_id: owner }, reason, now)
        : {};
      await recordAudit(trx, {
        site: row.site,
        zone: this.site.timeZone,
        at: now,
        actor: { kind: 'system', name: 'checks' },
        action: 'result.held',
        subjectKind: 'result',
        subjectId: rowId,
        reason,
        before: { state: isTaken ? 'accepted' : 'held', review: row.review_signature_id },
        after: {
          state: 'held',
          ...(isTaken ? { revision: row.revision + 1 } : {}),
          finding: finding.code,
          ...told,
        },
      });
      rowIds.add(rowId);
      if (owner !== null) receipts.add(owner);
    }
    for (const id of await receiptsRefusedBesideResults(trx, this.site.site, rowIds)) {
      receipts.add(id);
    }
    await locks.add(receipts);
    return { receipts, rowIds };
  }

  /** Receipts of results that were refused by the clearing of one of these, which is void once that one is held. */
  #beside(trx: Trx, about: readonly EarlierFinding[]): Promise<readonly string[]> {
    const ids = new Set(about.map(({ rowId }) => rowId));
    return receiptsRefusedBesideResults(trx, this.site.site, ids);
  }

  #rows(trx: Trx, about: readonly EarlierFinding[]): Promise<ResultRow[]> {
    const ids = [...new Set(about.map(({ rowId }) => rowId))];
    return resultRowsByIds(trx, this.site.site, ids);
  }
}
