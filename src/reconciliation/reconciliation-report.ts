import { writeCsv } from '../formats/csv.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import {
  containerSubject,
  type Discrepancy,
  type ExpectedContainer,
  type MeasuredResult,
} from './compare.js';
import { DISCREPANCY_RULES } from './discrepancies.js';

export interface DeliveryCount {
  readonly destination: string;
  /** Results the destination accepted, confirmed ones among them. */
  readonly delivered: number;
  readonly confirmed: number;
}

export interface PeriodCounts {
  readonly receipts: number;
  /** Containers a plan asks for. */
  readonly expectedContainers: number;
  /** Of those, the ones with an accepted result. */
  readonly measuredContainers: number;
  readonly acceptedResults: number;
  readonly heldResults: number;
  readonly supersededResults: number;
  readonly heldBundles: number;
  readonly refusedBundles: number;
  /** Accepted results that every destination with a delivery of them has accepted. */
  readonly deliveredResults: number;
  readonly confirmedResults: number;
  readonly byDestination: readonly DeliveryCount[];
}

export interface StatementSummary {
  readonly receiptId: string;
  readonly revision: number;
  readonly outcome: string;
  readonly hasStop: boolean;
}

export interface ReconciliationReport {
  readonly site: string;
  readonly from: string;
  /** Exclusive. */
  readonly to: string;
  readonly generatedAt: string;
  readonly counts: PeriodCounts;
  readonly statements: readonly StatementSummary[];
  readonly stops: number;
  readonly discrepancies: readonly Discrepancy[];
}

export interface ResultDelivery {
  readonly resultRowId: string;
  readonly destination: string;
  readonly state: string;
}

/** Counts of a period from its rows; `destinations` are those that results are delivered to. */
export function countPeriod(rows: {
  readonly receipts: number;
  readonly expected: readonly ExpectedContainer[];
  readonly results: readonly MeasuredResult[];
  readonly deliveries: readonly ResultDelivery[];
  readonly bundles: { readonly held: number; readonly refused: number };
  readonly destinations: readonly string[];
}): PeriodCounts {
  const accepted = rows.results.filter((r) => r.state === 'accepted');
  const measured = new Set(
    accepted.flatMap((r) =>
      r.receiptId !== null && r.containerLabel !== null
        ? [containerSubject(r.receiptId, r.containerLabel)]
        : [],
    ),
  );
  const required = rows.expected.filter((c) => c.required);
  const isAccepted = new Set(accepted.map((r) => r.rowId));
  const at = (wanted: readonly string[]) => {
    const places = new Map(rows.destinations.map((d) => [d, new Set<string>()]));
    for (const d of rows.deliveries) {
      if (isAccepted.has(d.resultRowId) && wanted.includes(d.state)) {
        places.get(d.destination)?.add(d.resultRowId);
      }
    }
    return places;
  };
  const delivered = at(['accepted', 'confirmed']);
  const confirmed = at(['confirmed']);
  const everywhere = (places: ReadonlyMap<string, ReadonlySet<string>>) =>
    places.size === 0
      ? 0
      : accepted.filter((r) => [...places.values()].every((ids) => ids.has(r.rowId))).length;
  return {
    receipts: rows.receipts,
    expectedContainers: required.length,
    measuredContainers: required.filter((c) => measured.has(containerSubject(c.receiptId, c.label)))
      .length,
    acceptedResults: accepted.length,
    heldResults: rows.results.filter((r) => r.state === 'held').length,
    supersededResults: rows.results.filter((r) => r.state === 'superseded').length,
    heldBundles: rows.bundles.held,
    refusedBundles: rows.bundles.refused,
    deliveredResults: everywhere(delivered),
    confirmedResults: everywhere(confirmed),
    byDestination: rows.destinations.map((destination) => ({
      destination,
      delivered: delivered.get(destination)?.size ?? 0,
      confirmed: confirmed.get(destination)?.size ?? 0,
    })),
  };
}

/** The report as JSON, instants in RFC 3339. */
export function reconciliationJson(report: ReconciliationReport): string {
  return JSON.stringify({ ...report, discrepancies: report.discrepancies.map(readable) });
}

function readable(discrepancy: Discrepancy) {
  return { ...discrepancy, openedAt: openedText(discrepancy.openedAt) };
}

/** The discrepancies as CSV, for people: cells a spreadsheet would run as a formula are made text. */
export function discrepanciesCsv(report: Pick<ReconciliationReport, 'discrepancies'>): string {
  const rows = report.discrepancies.map((d) => [
    d.class,
    d.subject,
    d.receiptId ?? '',
    d.containerLabel ?? '',
    d.destination ?? '',
    d.detail,
    openedText(d.openedAt) ?? '',
    DISCREPANCY_RULES[d.class].closedBy,
  ]);
  return writeCsv(
    [
      [
        'class',
        'subject',
        'receipt_id',
        'container',
        'destination',
        'detail',
        'opened_at',
        'closed_by',
      ],
      ...rows,
    ],
    { isFormulaSafe: true },
  );
}

function openedText(at: Instant | null): string | null {
  return at === null ? null : formatInstant(at);
}
