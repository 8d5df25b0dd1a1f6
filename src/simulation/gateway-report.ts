import type { GatewayCounts } from './demo-verdict.js';

/** The part of the gateway's reconciliation report that the demo prints, in the demo's words. */
export function readReport(report: unknown): GatewayCounts {
  const { counts, statements, stops, discrepancies } = report as {
    readonly counts: Readonly<Record<string, number>>;
    readonly statements: readonly { readonly outcome: string }[];
    readonly stops: number;
    readonly discrepancies: GatewayCounts['discrepancies'];
  };
  const count = (name: string): number => counts[name] ?? Number.NaN;
  const outcomes = (outcome: string): number =>
    statements.filter((statement) => statement.outcome === outcome).length;
  return {
    expected: count('expectedContainers'),
    measured: count('measuredContainers'),
    accepted: count('acceptedResults'),
    held: count('heldResults'),
    refused: count('refusedBundles'),
    delivered: count('deliveredResults'),
    confirmed: count('confirmedResults'),
    statements: {
      conforms: outcomes('conforms'),
      doesNotConform: outcomes('does-not-conform'),
      incomplete: outcomes('incomplete'),
    },
    stops,
    discrepancies,
  };
}
