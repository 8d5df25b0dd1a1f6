import { formatInstant, type Instant } from '../formats/instant.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { Reader } from '../storage/database.js';
import type { DiscrepancyRow } from '../storage/tables.js';
import { compare, type Discrepancy } from './compare.js';
import { discrepanciesOpenAt } from './discrepancies.store.js';
import { holdingCodes } from './held-by.store.js';
import {
  bundlesReceived,
  expectedContainers,
  latestStatements,
  openDeliveries,
  receiptsOfPeriod,
  resultDeliveries,
  resultsOfPeriod,
  resultsOfReceipts,
  stopsIssued,
} from './reconciliation.store.js';
import { countPeriod, type ReconciliationReport } from './reconciliation-report.js';

/** A delivery that is not confirmed a quarter of an hour after it was made is worth a look. */
const OVERDUE_AFTER_MS = 900_000;

/** Sets expected against measured against delivered, for a period by measured time. */
export class ReconciliationService {
  constructor(
    private readonly reader: Reader,
    private readonly clock: Clock,
    private readonly site: Pick<SiteFolder, 'destinations'>,
  ) {}

  /**
   * The report of `[from, to)`. Discrepancies are those open at its end, whenever they were opened, so what
   * is carried over stays in sight. Days of a site come from `siteDay`.
   */
  async report(
    site: string,
    from: Instant,
    to: Instant,
    options: { readonly overdueAfterMs?: number } = {},
  ): Promise<ReconciliationReport> {
    const { reader } = this;
    const now = this.clock.now();
    const period = { from, to };
    const receiptIds = await receiptsOfPeriod(reader, site, period);
    const expected = await expectedContainers(reader, site, receiptIds);
    const measured = await resultsOfPeriod(reader, site, period);
    const counts = countPeriod({
      receipts: receiptIds.length,
      expected,
      results: measured,
      deliveries: await resultDeliveries(
        reader,
        site,
        measured.map((r) => r.rowId),
      ),
      bundles: {
        held: await bundlesReceived(reader, site, 'held', period),
        refused: await bundlesReceived(reader, site, 'refused', period),
      },
      destinations: this.site.destinations.filter((d) => d.requiredForStatement).map((d) => d.name),
    });
    const ofReceipts = await resultsOfReceipts(reader, site, receiptIds);
    const results = [...new Map([...measured, ...ofReceipts].map((r) => [r.rowId, r])).values()];
    const heldBy = await holdingCodes(reader, results);
    const discrepancies = compare({
      expected,
      results: results.map((r) => ({ ...r, heldBy: heldBy.get(r.rowId) ?? [] })),
      deliveries: await openDeliveries(reader, site, to),
      open: (await discrepanciesOpenAt(reader, site, to)).map(openedDiscrepancy),
      now,
      overdueAfterMs: options.overdueAfterMs ?? OVERDUE_AFTER_MS,
    });
    return {
      site,
      from: formatInstant(from),
      to: formatInstant(to),
      generatedAt: formatInstant(now),
      counts,
      statements: await latestStatements(reader, site, receiptIds),
      stops: await stopsIssued(reader, site, period),
      discrepancies,
    };
  }
}

function openedDiscrepancy(row: DiscrepancyRow): Discrepancy {
  return {
    class: row.class,
    subject: row.subject,
    detail: row.detail,
    receiptId: row.receipt_id,
    containerLabel: row.container_label,
    destination: row.destination,
    openedAt: row.opened_at,
  };
}
