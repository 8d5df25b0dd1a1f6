import { recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import {
  attributionsInForce,
  attributionsOf,
  attributionsToJudge,
  setJudged,
} from '../receipts/attributions.store.js';
import { resultSubject } from '../receipts/evidence-subject.js';
import { tellWaitingReceipts } from '../receipts/facts.store.js';
import { receiptsComingOf, receiptsGoingOn } from '../receipts/lineage.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { closeUnownedEvidence, findReceipts } from '../receipts/receipts.store.js';
import { parseScope } from '../reconciliation/discrepancies.js';
import {
  auditClosed,
  latestDiscrepancy,
  openDiscrepancy,
} from '../reconciliation/discrepancies.store.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { AttributionRow, DiscrepancyRow } from '../storage/tables.js';
import { attributedResult, validityOfRow } from './attribution.store.js';
import { lockInDoubt } from './unreadable-evidence.service.js';

/** Judged in one round; what is left is taken up by the next. */
const ROUND_MAX = 50;

/**
 * Looks again at signed attributions whose receipt was changed since. Where the signature is void, what it took away
 * comes back (release-safety rules 20 and 25): the receipts it moved the result between are evaluated in one
 * transaction, and evidence that had no owner before blocks by its scope again.
 */
export class AttributionWatch {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: SiteFolder,
    private readonly statements: StatementsService,
  ) {}

  /** True when a signature turned out to be void, or a statement says something new: stops may be due. */
  async round(): Promise<boolean> {
    const { site } = this.site;
    let hasNews = false;
    const failures: unknown[] = [];
    for (const row of await attributionsToJudge(this.database.db, site, ROUND_MAX)) {
      try {
        const isNews = await transactLocking(this.database, site, (trx, locks) =>
          this.#judge(trx, locks, row),
        );
        hasNews ||= isNews;
      } catch (error) {
        // The others have a transaction of their own, and none of them waits behind this one.
        failures.push(error);
      }
    }
    if (failures.length > 0) throw failures[0];
    return hasNews;
  }

  async #judge(trx: Trx, locks: ReceiptLocks, row: AttributionRow): Promise<boolean> {
    const { site, timeZone: zone } = this.site;
    const { result_row_id: rowId } = row;
    const all = (await attributionsOf(trx, site, rowId)).filter((a) => a.state === 'signed');
    const named = new Set(
      all.flatMap((a) => [a.to_receipt, a.from_receipt]).filter((id) => id !== null),
    );
    await locks.add(named);
    // Containers of a receipt it was taken from may have gone on or come again since: what comes back bears on those too.
    for (const id of [...named]) {
      for (const other of await receiptsGoingOn(trx, site, id)) named.add(other);
    }
    const number = (await attributedResult(trx, site, rowId))?.drum_number ?? null;
    const numbers = number === null ? [] : [number];
    const find = (ids: readonly string[]) => receiptsComingOf(trx, site, ids, numbers);
    for (const other of await locks.addListing(named, numbers, find)) named.add(other);
    const unowned = all.some((a) => a.from_receipt === null)
      ? await latestDiscrepancy(trx, site, 'contrary-unowned', resultSubject(rowId))
      : null;
    const inDoubt =
      unowned === null
        ? []
        : await lockInDoubt(trx, locks, this.statements, site, [parseScope(unowned.scope)]);
    const receipt = (await findReceipts(trx, site, [row.to_receipt])).get(row.to_receipt);
    const inForce = (await attributionsInForce(trx, site, [rowId])).get(rowId);
    const now = this.clock.now();
    await setJudged(trx, row.id, receipt?.revision ?? 0);
    if (inForce?.id !== row.id) return false;
    const validity = await validityOfRow(trx, site, row);
    const isVoid = validity.kind === 'void';
    if (unowned !== null) await this.#mend(trx, rowId, unowned, isVoid ? null : row, now);
    let isNews = false;
    for (const id of [...new Set([...named, ...inDoubt])].sort()) {
      const evaluation = await this.statements.evaluateInTransaction(trx, id, now);
      // A conforms waits while its receipt does, also when the evaluation brings nothing new.
      isNews ||= evaluation !== null && (evaluation.isNew || evaluation.outcome === 'conforms');
    }
    if (!isVoid) return isNews;
    await recordAudit(trx, {
      site,
      zone,
      at: now,
      actor: { kind: 'system', name: 'statements' },
      action: 'attribution.void',
      subjectKind: 'attribution',
      subjectId: row.id,
      reason: `receipt ${row.to_receipt} was changed at ${validity.changed.join(', ')}`,
      after: { changed: validity.changed, evaluated: [...named].sort() },
    });
    return true;
  }

  /** Opens again what had no owner, or closes it by the signature that holds. */
  async #mend(
    trx: Trx,
    rowId: string,
    unowned: DiscrepancyRow,
    by: AttributionRow | null,
    now: Instant,
  ): Promise<void> {
    const { site, timeZone: zone } = this.site;
    if (by === null) {
      const { subject, detail } = unowned;
      await openDiscrepancy(
        trx,
        {
          site,
          class: 'contrary-unowned',
          subject,
          receiptId: null,
          containerLabel: null,
          destination: null,
          scope: parseScope(unowned.scope),
          detail: `${detail}; the signature that attributed it is void`,
          openedAt: now,
          ...(unowned.instrument === null ? {} : { instrument: unowned.instrument }),
        },
        zone,
      );
      return;
    }
    const evidence = `signature:${by.signature_id}`;
    const closed = await closeUnownedEvidence(trx, site, rowId, { evidence, placed: true, now });
    await auditClosed(trx, closed, { site, zone, at: now, evidence });
    if (closed.length > 0) await tellWaitingReceipts(trx, site);
  }
}
