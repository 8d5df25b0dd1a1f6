import { writeCsv } from '../formats/csv.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { PeriodCounts } from './count-period.js';
import type { DiscrepancyGroup } from './discrepancy-grouping.js';
import type { ListedDiscrepancy } from './listed-discrepancy.js';

export interface StatementSummary {
  readonly receiptId: string;
  readonly revision: number;
  readonly outcome: string;
  readonly hasStop: boolean;
}

export interface ReconciliationReport {
  readonly site: string;
  readonly siteTitle: string;
  readonly environment: string;
  /** True for the invented scenario; every form of the report says so. */
  readonly simulated: boolean;
  /** IANA name: days are days of this zone. */
  readonly timeZone: string;
  readonly from: string;
  /** Exclusive. */
  readonly to: string;
  readonly generatedAt: string;
  readonly counts: PeriodCounts;
  readonly statements: readonly StatementSummary[];
  readonly stops: number;
  /** Every one, grouped. */
  readonly groups: readonly DiscrepancyGroup[];
  /** Open at the end of the period, whenever they were opened, with what became of them since. */
  readonly discrepancies: readonly ListedDiscrepancy[];
  /** How many more there are than are listed. */
  readonly notListed: number;
}

/** What every form of the report says of itself. */
export const REPORT_CAUTIONS: readonly string[] = [
  'Identity is one of several tests. Counts and discrepancies say what arrived, not that a lot is good.',
  'Only a fresh statement that says conforms may be acted on, and only for the containers it lists.',
  'Your procedures and the pharmacopoeia in force decide. Drumline reports; the quality unit releases.',
];

export const SIMULATED_LABEL = 'SIMULATED DATA of an invented site';

/** The report as JSON, instants in RFC 3339. */
export function reconciliationJson(report: ReconciliationReport): string {
  return JSON.stringify({
    ...report,
    groups: report.groups.map((g) => ({ ...g, oldestAt: instantText(g.oldestAt) })),
    discrepancies: report.discrepancies.map(readableDiscrepancy),
    cautions: REPORT_CAUTIONS,
  });
}

/** Instants in RFC 3339. */
export function readableDiscrepancy(discrepancy: ListedDiscrepancy) {
  return {
    ...discrepancy,
    openedAt: instantText(discrepancy.openedAt),
    countsFrom: instantText(discrepancy.countsFrom),
    targetAt: instantText(discrepancy.targetAt),
    closedAt: instantText(discrepancy.closedAt),
  };
}

function instantText(at: Instant | null): string | null {
  return at === null ? null : formatInstant(at);
}

const CSV_COLUMNS = [
  'record',
  'name',
  'value',
  'class',
  'subject',
  'receipt_id',
  'container',
  'destination',
  'instrument',
  'detail',
  'owner',
  'opened_at',
  'target_at',
  'late',
  'closed_at',
  'closing_evidence',
  'closed_by',
] as const;

/**
 * The whole report as CSV, for people: one row a fact, told apart by the column `record`. Cells that a spreadsheet
 * would run as a formula are made text.
 */
export function reconciliationCsv(report: ReconciliationReport): string {
  const row = (cells: Partial<Record<(typeof CSV_COLUMNS)[number], string>>) =>
    CSV_COLUMNS.map((column) => cells[column] ?? '');
  const facts = headFacts(report).map(([name, value]) => row({ record: 'report', name, value }));
  const counts = countFacts(report.counts).map(([name, value]) =>
    row({ record: 'count', name, value: String(value) }),
  );
  const statements = report.statements.map((s) =>
    row({
      record: 'statement',
      name: s.outcome,
      value: `revision ${s.revision}${s.hasStop ? ', a stop is in force' : ''}`,
      receipt_id: s.receiptId,
    }),
  );
  const groups = report.groups.map((g) =>
    row({
      record: 'group',
      name: g.title,
      value: String(g.count),
      class: g.class,
      opened_at: instantText(g.oldestAt) ?? '',
      late: String(g.late),
    }),
  );
  const discrepancies = report.discrepancies.map((d) =>
    row({
      record: 'discrepancy',
      class: d.class,
      subject: d.subject,
      receipt_id: d.receiptId ?? '',
      container: d.containerLabel ?? '',
      destination: d.destination ?? '',
      instrument: d.instrument ?? '',
      detail: d.detail,
      owner: d.owner,
      opened_at: instantText(d.openedAt) ?? '',
      target_at: instantText(d.targetAt) ?? '',
      late: d.isLate ? 'late' : '',
      closed_at: instantText(d.closedAt) ?? '',
      closing_evidence: d.closingEvidence ?? '',
      closed_by: d.closedBy,
    }),
  );
  const cautions = REPORT_CAUTIONS.map((value) => row({ record: 'caution', value }));
  return writeCsv(
    [
      [...CSV_COLUMNS],
      ...facts,
      ...counts,
      ...statements,
      ...groups,
      ...discrepancies,
      ...cautions,
    ],
    { isFormulaSafe: true },
  );
}

/** What a report is about, in the same words in every form of it. */
export function headFacts(report: ReconciliationReport): (readonly [string, string])[] {
  return [
    ...(report.simulated ? ([['data', SIMULATED_LABEL]] as const) : []),
    ['site', `${report.siteTitle} (${report.site})`],
    ['environment', report.environment],
    ['time zone', report.timeZone],
    ['measured from', report.from],
    ['measured before', report.to],
    ['generated at', report.generatedAt],
    ['stops issued', String(report.stops)],
    ...(report.notListed > 0
      ? ([['discrepancies not listed', String(report.notListed)]] as const)
      : []),
  ];
}

/** Counts per stage in the same words in every form. */
export function countFacts(counts: PeriodCounts): (readonly [string, number])[] {
  return [
    ['receipt lines', counts.receipts],
    ['containers expected', counts.expectedContainers],
    ['containers measured', counts.measuredContainers],
    ['results accepted', counts.acceptedResults],
    ['results held', counts.heldResults],
    ['results refused by a reviewer', counts.refusedResults],
    ['results superseded', counts.supersededResults],
    ['bundles held', counts.heldBundles],
    ['bundles refused', counts.refusedBundles],
    ['results delivered everywhere required', counts.deliveredResults],
    ['results confirmed everywhere required', counts.confirmedResults],
    ...counts.byDestination.flatMap(
      (d) =>
        [
          [`results delivered at ${d.destination}`, d.delivered],
          [`results confirmed at ${d.destination}`, d.confirmed],
        ] as const,
    ),
  ];
}
