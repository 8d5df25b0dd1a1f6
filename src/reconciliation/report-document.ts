import { type Instant, parseTimestamp } from '../formats/instant.js';
import { formatInZone } from '../formats/time-zone.js';
import {
  countFacts,
  headFacts,
  REPORT_CAUTIONS,
  type ReconciliationReport,
  SIMULATED_LABEL,
} from './reconciliation-report.js';

/** A report as it is laid out, whatever it is written as: the same words in each form. */
export interface ReportDocument {
  readonly title: string;
  /** Above everything and on every page; null for real data of a production environment. */
  readonly banner: string | null;
  /** What it is about. */
  readonly facts: readonly (readonly [string, string])[];
  readonly tables: readonly ReportTable[];
  readonly cautions: readonly string[];
  readonly generatedAt: Instant;
}

export interface ReportTable {
  readonly title: string;
  readonly columns: readonly string[];
  readonly rows: readonly (readonly string[])[];
  /** Indices of the columns that take the room on paper; by default all but the first and the third. */
  readonly wide?: readonly number[];
  /** Facts by name: how many rows they are says nothing, and on paper they stand in two columns. */
  readonly isFacts?: boolean;
  /** In place of the rows when there are none. */
  readonly none: string;
}

/** Title of a table, with the number of its rows where that is one of things. */
export function headingOf({ title, rows, isFacts = false }: ReportTable): string {
  return rows.length === 0 || isFacts ? title : `${title} (${rows.length})`;
}

export function bannerOf(of: {
  readonly simulated: boolean;
  readonly environment: string;
}): string | null {
  if (of.simulated) return `${SIMULATED_LABEL}, ${of.environment} environment`;
  if (of.environment === 'production') return null;
  return `${of.environment.toUpperCase()} environment: nothing here may be used to release goods`;
}

/** The reconciliation report laid out; instants by the site's clock, with their offset. */
export function reportDocument(report: ReconciliationReport): ReportDocument {
  const at = (instant: Instant | null) =>
    instant === null ? '' : formatInZone(instant, report.timeZone).replace(/\.\d+/, '');
  const generatedAt = instantOf(report.generatedAt);
  const shown = {
    ...report,
    from: instantOf(report.from) === 0 ? 'the beginning' : at(instantOf(report.from)),
    to: at(instantOf(report.to)),
    generatedAt: at(generatedAt),
  };
  return {
    title: `Reconciliation of ${report.siteTitle}`,
    banner: bannerOf(report),
    facts: headFacts(shown).filter(([name]) => name !== 'data'),
    tables: [
      {
        title: 'From dock to confirmation',
        columns: ['Count', 'Number'],
        rows: countFacts(report.counts).map(([name, value]) => [name, String(value)]),
        isFacts: true,
        none: '',
      },
      {
        title: 'Statements',
        columns: ['Receipt line', 'Latest statement', 'Revision', 'Stop'],
        rows: report.statements.map((s) => [
          s.receiptId,
          s.outcome,
          String(s.revision),
          s.hasStop ? 'in force' : '',
        ]),
        none: 'No statement was made for a receipt line of this period.',
      },
      {
        title: 'Discrepancies by cause',
        columns: ['Cause', 'Number', 'Past target', 'Oldest since'],
        rows: report.groups.map((g) => [g.title, String(g.count), String(g.late), at(g.oldestAt)]),
        none: 'No discrepancy was open at the end of the period.',
      },
      {
        title: 'Discrepancies open at the end of the period',
        columns: ['Class', 'What', 'Owner', 'Open since', 'Became of it'],
        rows: report.discrepancies.map((d) => [
          d.class,
          d.detail,
          d.owner,
          `${at(d.openedAt)}${d.isLate ? ', past its target' : ''}`,
          d.closedAt === null
            ? `open; closed only by ${d.closedBy}`
            : `closed ${at(d.closedAt)} by ${d.closingEvidence ?? ''}`,
        ]),
        none: 'None.',
      },
    ],
    cautions: REPORT_CAUTIONS,
    generatedAt,
  };
}

function instantOf(text: string): Instant {
  const parsed = parseTimestamp(text);
  if (parsed === null) throw new Error(`the report has no instant: ${text}`);
  return parsed.instant;
}
