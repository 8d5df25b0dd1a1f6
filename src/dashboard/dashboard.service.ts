import { findAccountByName } from '../access/accounts.store.js';
import { userNamesOf } from '../audit/trail-review.store.js';
import { searchTrail } from '../audit/trail-search.store.js';
import { deliveriesOfReceipt } from '../delivery/delivery-report.store.js';
import type { Instant } from '../formats/instant.js';
import { linksTo } from '../receipts/lineage.store.js';
import { findReceipts, revisionsOf } from '../receipts/receipts.store.js';
import type { DiscrepanciesService } from '../reconciliation/discrepancies.service.js';
import { groupDiscrepancies } from '../reconciliation/discrepancy-grouping.js';
import { countDiscrepancies, discrepancyPage } from '../reconciliation/discrepancy-list.store.js';
import { type QueryFields, readDiscrepancyQuery } from '../reconciliation/discrepancy-query.js';
import { listedDiscrepancy } from '../reconciliation/listed-discrepancy.js';
import type { ReconciliationService } from '../reconciliation/reconciliation.service.js';
import { dayOf, siteDay } from '../reconciliation/site-day.js';
import type { ReceiptIdentity, StatementOutcome } from '../records/statement-record.js';
import { loadRejections } from '../statements/rejection-facts.store.js';
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
import { CONTRARY_SHOWN_MAX } from './contrary-results.js';
import type { DayView, DiscrepancyListView, DiscrepancyPageView } from './day-view.js';
import {
  discrepanciesByClass,
  discrepancyView,
  type ShownDiscrepancies,
} from './discrepancy-groups.js';
import { discrepancyListPath } from './discrepancy-path.js';
import { moment } from './local-time.js';
import { buildReceiptView, type ReceiptView } from './receipt-view.js';
import { contraryOfReceipt, resultNames, reviewsOfReceipt } from './result-names.store.js';
import {
  actorOf,
  nextPage,
  readTrailQuery,
  TRAIL_PAGE,
  type TrailQuery,
  type TrailView,
  trailEntryView,
} from './trail-view.js';
import type { DayViewSource } from './view-source.js';
import { outcomeOf } from './wording.js';

/** Receipt lines on a day's page; those that need a person come first. */
const RECEIPTS_SHOWN_MAX = 200;
const LISTED_ON_A_PAGE = 100;
/** Discrepancies read one by one; larger groups are shown as a line. */
const READ_SINGLY_MAX = 500;

/** Reads what the pages show; changes nothing. A receipt's page shows what a question would be answered now. */
export class DashboardService implements DayViewSource {
  constructor(
    private readonly reader: Reader,
    private readonly clock: Clock,
    private readonly site: ShownSite,
    private readonly reconciliation: Pick<ReconciliationService, 'report' | 'receiptsOf'>,
    private readonly statements: Pick<StatementsService, 'shown'>,
    private readonly discrepancies: Pick<DiscrepanciesService, 'page' | 'find'>,
  ) {}

  /** One day in the site's zone, the current one when left out; null when the text is no day. */
  async load(asked?: string): Promise<DayView | null> {
    const { site, timeZone } = this.site;
    const now = this.clock.now();
    const day = asked ?? dayOf(now, timeZone);
    const period = siteDay(day, timeZone);
    if (period === null) return null;
    const report = await this.reconciliation.report(period.from, period.to, READ_SINGLY_MAX);
    const ids = await this.reconciliation.receiptsOf(period);
    const summaries = new Map(report.statements.map((s) => [s.receiptId, s.outcome]));
    const outcomes = new Map(ids.map((id) => [id, outcomeOf(summaries.get(id))]));
    const first = mostUrgent(outcomes).slice(0, RECEIPTS_SHOWN_MAX);
    const receipts = await this.receipts(site, first);
    return buildDayView({
      site: this.site,
      day,
      now,
      report,
      receipts,
      outcomes: [...outcomes.values()],
    });
  }

  async loadReceipt(receiptId: string): Promise<ReceiptView | null> {
    const { site, timeZone } = this.site;
    const row = (await findReceipts(this.reader, site, [receiptId])).get(receiptId);
    if (!row) return null;
    const now = this.clock.now();
    const statement = await this.statements.shown(receiptId);
    const identity = statement?.receipt ?? identityOf(row);
    const open = await this.openOf(receiptId, now);
    const resultsNamed = await resultNames(this.reader, site, receiptId);
    const reviews = await reviewsOfReceipt(this.reader, site, receiptId);
    const contrary = await contraryOfReceipt(this.reader, site, receiptId, CONTRARY_SHOWN_MAX + 1);
    return buildReceiptView({
      site: siteView(this.site),
      now,
      receipt: { ...identity, ...names(identity, this.site) },
      statement,
      deliveries: await deliveriesOfReceipt(this.reader, site, receiptId),
      resultNames: resultsNamed,
      reviews: reviews.map((r) => ({ ...r, name: resultsNamed.get(r.rowId) ?? r.rowId })),
      contrary: contrary.map((r) => ({ ...r, name: resultsNamed.get(r.rowId) ?? r.rowId })),
      discrepancies: discrepanciesByClass(open, timeZone, now),
      rejected: await this.rejectedOf(row),
      cameFrom: await this.cameFrom(row),
      isOpen: row.announced === 1 && row.status === 'open',
      revisions: await revisionsOf(this.reader, site, receiptId),
    });
  }

  async loadTrail(query: TrailQuery): Promise<TrailView> {
    const { site, timeZone } = this.site;
    const common = { site: siteView(this.site), asOf: moment(this.clock.now(), timeZone), query };
    const read = readTrailQuery(query, timeZone);
    if (!read.ok) return { ...common, fault: read.fault, entries: [], next: null };
    const { filter, behind } = read;
    const { actor } = filter;
    // Entries name people by the id of their account, who looks for one knows the user name.
    const named = actor === null ? undefined : await findAccountByName(this.reader, actor);
    const asked = { ...filter, alsoActor: named?.id ?? null };
    // One more than a page shows says whether there is another.
    const rows = await searchTrail(this.reader, site, asked, { behind, limit: TRAIL_PAGE + 1 });
    const userNames = await userNamesOf(this.reader, [...new Set(rows.map(actorOf))]);
    const entries = rows
      .slice(0, TRAIL_PAGE)
      .map((row) => trailEntryView(row, userNames, timeZone));
    return { ...common, fault: null, entries, next: nextPage(query, rows) };
  }

  async loadDiscrepancies(fields: QueryFields): Promise<DiscrepancyListView | string> {
    const { timeZone } = this.site;
    const query = readDiscrepancyQuery({ limit: `${LISTED_ON_A_PAGE}`, ...fields }, timeZone);
    if (typeof query === 'string') return query;
    const now = this.clock.now();
    const { items, next } = await this.discrepancies.page(query);
    const shown = Object.entries(fields).filter(([name]) => name !== 'cursor' && name !== 'limit');
    const filter = shown.map(([name, text]) => [name, text ?? ''] as const);
    return {
      site: siteView(this.site),
      asOf: moment(now, timeZone),
      filter,
      items: items.map((item) => discrepancyView(item, timeZone, now)),
      next:
        next === null ? null : discrepancyListPath({ ...Object.fromEntries(filter), cursor: next }),
    };
  }

  async loadDiscrepancy(id: string): Promise<DiscrepancyPageView | null> {
    const found = await this.discrepancies.find(id);
    if (found === null) return null;
    const { timeZone } = this.site;
    const now = this.clock.now();
    return {
      site: siteView(this.site),
      asOf: moment(now, timeZone),
      item: discrepancyView(found, timeZone, now),
      meaning: found.meaning,
      closedBy: found.closedBy,
      history: found.history.map((step) => ({
        at: moment(step.at, timeZone),
        who: step.who,
        what: step.what,
        text: step.reference === null ? step.text : `${step.text} (${step.reference})`,
      })),
    };
  }

  private async rejectedOf(receipt: ReceiptRow): Promise<ReadonlySet<string>> {
    const rejections = await loadRejections(this.reader, receipt);
    const standing = rejections.filter(({ isValid, splitOffTo }) => isValid && splitOffTo === null);
    return new Set(standing.map(({ container }) => container));
  }

  private async cameFrom({ site, id, linked }: ReceiptRow): Promise<readonly string[]> {
    if (linked === 0) return [];
    return (await linksTo(this.reader, site, id)).map((link) => link.from_receipt);
  }

  private async openOf(receiptId: string, now: Instant): Promise<ShownDiscrepancies> {
    const { site } = this.site;
    const targets = this.site.serviceTargetHours ?? {};
    const of = { state: 'open', receipt: receiptId } as const;
    return {
      groups: groupDiscrepancies(await countDiscrepancies(this.reader, site, of, targets, now)),
      discrepancies: (await discrepancyPage(this.reader, site, of, null, READ_SINGLY_MAX)).map(
        (row) => listedDiscrepancy(row, targets, now),
      ),
    };
  }

  private async receipts(site: string, ids: readonly string[]): Promise<ReceiptOfDay[]> {
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

const OUTCOMES = ['does-not-conform', 'incomplete', null, 'conforms'] as const;

function mostUrgent(outcomes: ReadonlyMap<string, StatementOutcome | null>): string[] {
  return [...outcomes]
    .sort(([, a], [, b]) => OUTCOMES.indexOf(a) - OUTCOMES.indexOf(b))
    .map(([id]) => id);
}
