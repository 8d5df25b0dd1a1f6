import { searchTrail } from '../audit/trail-search.store.js';
import { deliveriesOfReceipt } from '../delivery/delivery-report.store.js';
import { findReceipts } from '../receipts/receipts.store.js';
import { openDiscrepanciesFor } from '../reconciliation/discrepancies.store.js';
import type { ReconciliationService } from '../reconciliation/reconciliation.service.js';
import { receiptsOfPeriod } from '../reconciliation/reconciliation.store.js';
import { dayOf, siteDay } from '../reconciliation/site-day.js';
import type { ReceiptIdentity } from '../records/statement-record.js';
import type { StatementsService } from '../statements/statements.service.js';
import { latestStatement } from '../statements/statements.store.js';
import type { Clock } from '../storage/clock.js';
import type { Reader } from '../storage/database.js';
import type { ReceiptRow } from '../storage/tables.js';
import {
  buildDayView,
  names,
  type ReceiptOfDay,
  type ShownSite,
  siteView,
} from './build-day-view.js';
import type { DayView } from './day-view.js';
import { groupDiscrepancies } from './discrepancy-groups.js';
import { moment } from './local-time.js';
import { buildReceiptView, type ReceiptView } from './receipt-view.js';
import { resultNames, reviewsOfReceipt } from './result-names.store.js';
import {
  nextPage,
  readTrailQuery,
  TRAIL_PAGE,
  type TrailQuery,
  type TrailView,
  trailEntryView,
} from './trail-view.js';
import type { DayViewSource } from './view-source.js';

/** Reads what the pages show; changes nothing. A receipt's page shows what a question would be answered now. */
export class DashboardService implements DayViewSource {
  constructor(
    private readonly reader: Reader,
    private readonly clock: Clock,
    private readonly site: ShownSite,
    private readonly reconciliation: Pick<ReconciliationService, 'report'>,
    private readonly statements: Pick<StatementsService, 'shown'>,
  ) {}

  async load(): Promise<DayView> {
    const { site, timeZone } = this.site;
    const now = this.clock.now();
    const day = dayOf(now, timeZone);
    const period = siteDay(day, timeZone);
    if (period === null) throw new Error(`the clock shows no calendar day: ${day}`);
    const report = await this.reconciliation.report(site, period.from, period.to);
    const receipts = await this.receipts(await receiptsOfPeriod(this.reader, site, period));
    return buildDayView({ site: this.site, day, now, report, receipts });
  }

  async loadReceipt(receiptId: string): Promise<ReceiptView | null> {
    const { site, timeZone } = this.site;
    const row = (await findReceipts(this.reader, site, [receiptId])).get(receiptId);
    if (!row) return null;
    const now = this.clock.now();
    const statement = await this.statements.shown(receiptId);
    const identity = statement?.receipt ?? identityOf(row);
    const open = await openDiscrepanciesFor(this.reader, site, receiptId);
    const owned = open.filter((d) => d.receipt_id === receiptId);
    const resultsNamed = await resultNames(this.reader, site, receiptId);
    const reviews = await reviewsOfReceipt(this.reader, site, receiptId);
    return buildReceiptView({
      site: siteView(this.site),
      now,
      receipt: { ...identity, ...names(identity, this.site) },
      statement,
      deliveries: await deliveriesOfReceipt(this.reader, site, receiptId),
      resultNames: resultsNamed,
      reviews: reviews.map((r) => ({ ...r, name: resultsNamed.get(r.rowId) ?? r.rowId })),
      discrepancies: groupDiscrepancies(
        owned.map((d) => ({
          class: d.class,
          subject: d.subject,
          detail: d.detail,
          receiptId: d.receipt_id,
          containerLabel: d.container_label,
          destination: d.destination,
          openedAt: d.opened_at,
        })),
        timeZone,
        now,
      ),
    });
  }

  async loadTrail(query: TrailQuery): Promise<TrailView> {
    const { site, timeZone } = this.site;
    const common = { site: siteView(this.site), asOf: moment(this.clock.now(), timeZone), query };
    const read = readTrailQuery(query, timeZone);
    if (!read.ok) return { ...common, fault: read.fault, entries: [], next: null };
    const { filter, behind } = read;
    // One more than a page shows says whether there is another.
    const rows = await searchTrail(this.reader, site, filter, { behind, limit: TRAIL_PAGE + 1 });
    const entries = rows.slice(0, TRAIL_PAGE).map((row) => trailEntryView(row, timeZone));
    return { ...common, fault: null, entries, next: nextPage(query, rows) };
  }

  private async receipts(ids: readonly string[]): Promise<ReceiptOfDay[]> {
    const { site } = this.site;
    const rows = await findReceipts(this.reader, site, ids);
    const found: ReceiptOfDay[] = [];
    for (const row of rows.values()) {
      const statement = await latestStatement(this.reader, site, row.id);
      found.push({ receipt: statement?.receipt ?? identityOf(row), statement });
    }
    return found;
  }
}

function identityOf(row: ReceiptRow): ReceiptIdentity {
  return {
    receiptId: row.id,
    receiptNumber: row.receipt_number,
    line: row.line,
    material: row.material,
    manufacturer: row.manufacturer,
    supplier: row.supplier,
    supplierLot: row.supplier_lot,
    siteLot: row.site_lot,
    area: row.area,
  };
}
