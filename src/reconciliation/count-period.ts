import type { MeasuredResult } from './compare.js';

export interface DeliveryCount {
  readonly destination: string;
  /** Results the destination accepted, confirmed ones among them. */
  readonly delivered: number;
  readonly confirmed: number;
}

/** Counts of results by what became of them. */
export interface ResultSums {
  readonly accepted: number;
  readonly held: number;
  readonly refused: number;
  readonly superseded: number;
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
  /** Refused by a reviewer's signature. */
  readonly refusedResults: number;
  readonly supersededResults: number;
  readonly heldBundles: number;
  readonly refusedBundles: number;
  /** Accepted results that every destination with a delivery of them has accepted. */
  readonly deliveredResults: number;
  readonly confirmedResults: number;
  readonly byDestination: readonly DeliveryCount[];
}

export type CountedResult = Pick<MeasuredResult, 'rowId' | 'state'>;

/** What of the counts rests on results alone. */
export type ResultPeriodCounts = Omit<
  PeriodCounts,
  'receipts' | 'expectedContainers' | 'measuredContainers' | 'heldBundles' | 'refusedBundles'
>;

export interface ResultDelivery {
  readonly resultRowId: string;
  readonly destination: string;
  readonly state: string;
}

/** Counts of results from their rows; `destinations` are those that results are delivered to. */
export function countPeriod(rows: {
  readonly results: readonly CountedResult[];
  readonly deliveries: readonly ResultDelivery[];
  readonly destinations: readonly string[];
}): ResultPeriodCounts {
  const accepted = rows.results.filter((r) => r.state === 'accepted');
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
    acceptedResults: accepted.length,
    heldResults: rows.results.filter((r) => r.state === 'held').length,
    refusedResults: rows.results.filter((r) => r.state === 'refused').length,
    supersededResults: rows.results.filter((r) => r.state === 'superseded').length,
    deliveredResults: everywhere(delivered),
    confirmedResults: everywhere(confirmed),
    byDestination: rows.destinations.map((destination) => ({
      destination,
      delivered: delivered.get(destination)?.size ?? 0,
      confirmed: confirmed.get(destination)?.size ?? 0,
    })),
  };
}
