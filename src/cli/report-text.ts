import type { PeriodCounts } from '../reconciliation/count-period.js';

/** What of the answer of `GET /api/v1/reconciliation` is printed for people. */
export interface ShownReport {
  readonly site: string;
  readonly from: string;
  readonly to: string;
  readonly counts: PeriodCounts;
  readonly statements: readonly {
    readonly receiptId: string;
    readonly revision: number;
    readonly outcome: string;
    readonly hasStop: boolean;
  }[];
  readonly stops: number;
  readonly discrepancies: readonly { readonly class: string; readonly detail: string }[];
}

/** The report as lines: the counts, every receipt's statement, every open discrepancy by name. */
export function reportText(report: ShownReport): string {
  const { counts } = report;
  return [
    `${report.site}, measured from ${report.from} to ${report.to}`,
    `  containers  ${counts.expectedContainers} expected on ${counts.receipts} receipt lines, ${counts.measuredContainers} measured`,
    `  results     ${counts.acceptedResults} accepted, ${counts.heldResults} held, ${counts.supersededResults} superseded`,
    `  bundles     ${counts.heldBundles} held, ${counts.refusedBundles} refused`,
    ...counts.byDestination.map(
      (d) =>
        `  at ${d.destination.padEnd(8)} ${d.delivered} results delivered, ${d.confirmed} confirmed`,
    ),
    `Statements (${report.statements.length}), stops ${report.stops}:`,
    ...report.statements.map(
      (s) =>
        `  ${s.receiptId}  ${s.outcome}, revision ${s.revision}${s.hasStop ? ', a stop is in force' : ''}`,
    ),
    `Open discrepancies (${report.discrepancies.length}):`,
    ...report.discrepancies.map((d) => `  ${d.class.padEnd(14)}  ${d.detail}`),
    'Drumline reports; the quality unit releases.',
  ].join('\n');
}
