import type { Instant } from '../formats/instant.js';
import type { ReconciliationReport } from '../reconciliation/reconciliation-report.js';
import { dayOf, neighbourDay } from '../reconciliation/site-day.js';
import type {
  Condition,
  ConditionState,
  ReceiptIdentity,
  StatementOutcome,
  StatementRecord,
} from '../records/statement-record.js';
import type { SiteFolder } from '../site/site-folder.js';
import { dayStages } from './day-stages.js';
import type { DayView, ReceiptLineView, SiteView } from './day-view.js';
import { discrepanciesByClass } from './discrepancy-groups.js';
import { moment } from './local-time.js';
import { inPlainWords } from './plain-text.js';
import { tileStrip } from './tiles.js';
import { CONDITION_TITLES } from './wording.js';

/** What of the site folder the pages show. */
export type ShownSite = Pick<
  SiteFolder,
  | 'site'
  | 'title'
  | 'environment'
  | 'simulated'
  | 'timeZone'
  | 'areas'
  | 'materials'
  | 'serviceTargetHours'
>;

export interface ReceiptOfDay {
  readonly receipt: ReceiptIdentity;
  /** The latest statement; null when none was made. */
  readonly statement: StatementRecord | null;
}

export interface DayFacts {
  readonly site: ShownSite;
  /** Calendar day in the site's zone, `YYYY-MM-DD`. */
  readonly day: string;
  readonly now: Instant;
  readonly report: Pick<ReconciliationReport, 'counts' | 'groups' | 'discrepancies'>;
  /** Those there is room for. */
  readonly receipts: readonly ReceiptOfDay[];
  /** Of every receipt of the day, also of those there is no room for. */
  readonly outcomes: readonly (StatementOutcome | null)[];
}

/** Pure: the same facts give the same page. */
export function buildDayView(facts: DayFacts): DayView {
  const { site, day, now, report, receipts, outcomes } = facts;
  const isToday = dayOf(now, site.timeZone) === day;
  const shown = isToday ? report : { ...report, day };
  const groups = discrepanciesByClass(shown, site.timeZone, now);
  const lines = receipts.map((r) => lineView(r, site)).sort(byUrgency);
  return {
    site: siteView(site),
    day,
    previous: neighbourDay(day, -1),
    next: neighbourDay(day, 1),
    isToday,
    asOf: moment(now, site.timeZone),
    stages: dayStages({ counts: report.counts, outcomes, groups }),
    receipts: lines,
    moreReceipts: Math.max(0, outcomes.length - lines.length),
    discrepancies: groups,
  };
}

export function siteView(site: ShownSite): SiteView {
  const { title, environment, simulated, timeZone } = site;
  return { site: site.site, title, environment, simulated, timeZone };
}

/** Conditions a row has room for, and characters of what was found; the receipt's page shows all. */
const UNMET_SHOWN_MAX = 4;
const FOUND_LENGTH_MAX = 160;

const GRAVITY: Readonly<Record<ConditionState, number>> = {
  contradicted: 0,
  unmet: 1,
  'not-evaluated': 2,
  met: 3,
};

function unmetConditions(
  conditions: readonly Condition[],
  timeZone: string,
): Pick<ReceiptLineView, 'unmet' | 'unmetMore'> {
  // Beside a contradiction, what is merely missing helps nobody and soon is out of date.
  const isContradicted = conditions.some((condition) => condition.state === 'contradicted');
  const unmet = conditions
    .filter(({ state }) => (isContradicted ? state === 'contradicted' : state !== 'met'))
    .sort((a, b) => GRAVITY[a.state] - GRAVITY[b.state]);
  return {
    unmet: unmet.slice(0, UNMET_SHOWN_MAX).map((condition) => ({
      title: CONDITION_TITLES[condition.code],
      state: condition.state,
      found: shortened(inPlainWords(condition.found, timeZone)),
    })),
    unmetMore: unmet.slice(UNMET_SHOWN_MAX).map((condition) => CONDITION_TITLES[condition.code]),
  };
}

function shortened(text: string): string {
  return text.length <= FOUND_LENGTH_MAX ? text : `${text.slice(0, FOUND_LENGTH_MAX - 1)}…`;
}

function lineView({ receipt, statement }: ReceiptOfDay, site: ShownSite): ReceiptLineView {
  const { receiptId, receiptNumber, line, siteLot, supplierLot } = receipt;
  const stop = statement?.stopInForce ?? null;
  return {
    receiptId,
    receiptNumber,
    line,
    ...names(receipt, site),
    lot: siteLot ?? supplierLot,
    outcome: statement?.outcome ?? null,
    revision: statement?.revision ?? null,
    stop: stop && { kind: stop.kind, reason: inPlainWords(stop.reason, site.timeZone) },
    ...unmetConditions(statement?.conditions ?? [], site.timeZone),
    tiles: tileStrip((statement?.containers ?? []).map(({ label, state }) => ({ label, state }))),
  };
}

/** Material and area as people call them. */
export function names(
  receipt: Pick<ReceiptIdentity, 'material' | 'area'>,
  site: ShownSite,
): Pick<ReceiptIdentity, 'material' | 'area'> {
  const material = site.materials.find((m) => m.code === receipt.material);
  return {
    material: material === undefined ? receipt.material : `${material.code} ${material.name}`,
    area: site.areas.find((a) => a.id === receipt.area)?.title ?? receipt.area,
  };
}

const URGENCY: Readonly<Record<StatementOutcome | 'none', number>> = {
  'does-not-conform': 0,
  incomplete: 1,
  none: 2,
  conforms: 3,
};

function byUrgency(a: ReceiptLineView, b: ReceiptLineView): number {
  const urgency = URGENCY[a.outcome ?? 'none'] - URGENCY[b.outcome ?? 'none'];
  if (urgency !== 0) return urgency;
  return a.receiptId < b.receiptId ? -1 : a.receiptId > b.receiptId ? 1 : 0;
}
