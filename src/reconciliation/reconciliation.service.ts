import { formatInstant, type Instant } from '../formats/instant.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { Reader } from '../storage/database.js';
import type { ComparisonService } from './comparison.service.js';
import { storedReceipts } from './comparison.store.js';
import { countPeriod, type PeriodCounts } from './count-period.js';
import {
  containersOfDays,
  type Days,
  destinationCounts,
  receiptIdsOfDays,
  sumDays,
  sumDaysBy,
} from './day-counts.store.js';
import { groupDiscrepancies } from './discrepancy-grouping.js';
import { countDiscrepancies, discrepancyPage } from './discrepancy-list.store.js';
import { listedDiscrepancy } from './listed-discrepancy.js';
import {
  bundlesReceived,
  latestStatements,
  receiptsOfPeriod,
  resultDeliveries,
  resultsOfPeriod,
  stopsIssued,
} from './reconciliation.store.js';
import type { ReconciliationReport } from './reconciliation-report.js';
import { daysOfPeriod, type Period } from './site-day.js';

/** Named one by one in a report; groups count all of them. */
export const LISTED_MAX = 20_000;

export type ReconciledSite = Pick<
  SiteFolder,
  | 'site'
  | 'title'
  | 'environment'
  | 'simulated'
  | 'timeZone'
  | 'destinations'
  | 'serviceTargetHours'
>;

/** Sets expected against measured against delivered, for a period by measured time. */
export class ReconciliationService {
  constructor(
    private readonly reader: Reader,
    private readonly clock: Clock,
    private readonly site: ReconciledSite,
    private readonly comparison: Pick<ComparisonService, 'catchUp'>,
  ) {}

  /**
   * The report of `[from, to)`, against the last committed event. Discrepancies are those open at its end, whenever
   * they were opened, so what is carried over stays in sight. Days of a site come from `siteDay`.
   *
   * @param listedMax discrepancies named one by one; groups count all of them
   */
  async report(
    from: Instant,
    to: Instant,
    listedMax: number = LISTED_MAX,
  ): Promise<ReconciliationReport> {
    await this.comparison.catchUp();
    const { reader, site } = this;
    const now = this.clock.now();
    const period = { from, to };
    const receiptIds = await this.receiptsOf(period);
    const targets = site.serviceTargetHours ?? {};
    const open = { state: { openAt: to } } as const;
    const counted = await countDiscrepancies(reader, site.site, open, targets, now);
    const rows = await discrepancyPage(reader, site.site, open, null, listedMax);
    const total = counted.reduce((n, c) => n + c.count, 0);
    return {
      site: site.site,
      siteTitle: site.title,
      environment: site.environment,
      simulated: site.simulated,
      timeZone: site.timeZone,
      from: formatInstant(from),
      to: formatInstant(to),
      generatedAt: formatInstant(now),
      counts: await this.counts(period, receiptIds),
      statements: await latestStatements(reader, site.site, receiptIds),
      stops: await stopsIssued(reader, site.site, period),
      groups: groupDiscrepancies(counted),
      discrepancies: rows
        .map((row) => listedDiscrepancy(row, targets, now))
        .sort((a, b) => compareText(a.class, b.class) || compareText(a.subject, b.subject)),
      notListed: Math.max(0, total - rows.length),
    };
  }

  /** Announced receipts of a period, see `receiptsOfPeriod`. */
  async receiptsOf(period: Period): Promise<string[]> {
    const days = daysOfPeriod(period, this.site.timeZone);
    const { site } = this.site;
    return days
      ? receiptIdsOfDays(this.reader, site, days)
      : receiptsOfPeriod(this.reader, site, period);
  }

  /** Results of whole days by instrument and by receipt. */
  async breakdown(days: Days) {
    const { site } = this.site;
    return {
      instruments: await sumDaysBy(this.reader, site, 'instrument', days),
      receipts: await sumDaysBy(this.reader, site, 'receipt_id', days),
    };
  }

  /** Whole days are summed up from what is kept of them; any other period is counted from its rows. */
  private async counts(period: Period, receiptIds: readonly string[]): Promise<PeriodCounts> {
    const { reader, site } = this;
    const destinations = site.destinations.filter((d) => d.requiredForStatement).map((d) => d.name);
    const bundles = {
      held: await bundlesReceived(reader, site.site, 'held', period),
      refused: await bundlesReceived(reader, site.site, 'refused', period),
    };
    const days = daysOfPeriod(period, site.timeZone);
    if (days) return this.countsOfDays(days, destinations, bundles);
    const results = await resultsOfPeriod(reader, site.site, period);
    const tallies = await storedReceipts(reader, site.site, receiptIds);
    const counted = countPeriod({
      results,
      deliveries: await resultDeliveries(
        reader,
        site.site,
        results.map((r) => r.rowId),
      ),
      destinations,
    });
    return {
      receipts: receiptIds.length,
      expectedContainers: tallies.reduce((n, t) => n + t.expected, 0),
      measuredContainers: tallies.reduce((n, t) => n + t.measured, 0),
      heldBundles: bundles.held,
      refusedBundles: bundles.refused,
      ...counted,
    };
  }

  private async countsOfDays(
    days: Days,
    destinations: readonly string[],
    bundles: { readonly held: number; readonly refused: number },
  ): Promise<PeriodCounts> {
    const { reader, site } = this;
    const { receipts, expected, measured } = await containersOfDays(reader, site.site, days);
    const sums = await sumDays(reader, site.site, days);
    const all = sums.get('');
    return {
      receipts,
      expectedContainers: expected,
      measuredContainers: measured,
      acceptedResults: all?.accepted ?? 0,
      heldResults: all?.held ?? 0,
      refusedResults: all?.refused ?? 0,
      supersededResults: all?.superseded ?? 0,
      heldBundles: bundles.held,
      refusedBundles: bundles.refused,
      deliveredResults: all?.delivered ?? 0,
      confirmedResults: all?.confirmed ?? 0,
      byDestination: destinationCounts(sums, destinations),
    };
  }
}

function compareText(a: string, b: string): number {
  return a < b ? -1 : a > b ? 1 : 0;
}
