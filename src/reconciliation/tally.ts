import type { Instant } from '../formats/instant.js';
import {
  containerSubject,
  type ExpectedContainer,
  type MeasuredResult,
  measuredContainers,
  type SentDelivery,
} from './compare.js';

/** Counts of results; of a destination, only `delivered` and `confirmed` are ever above 0. */
export interface ResultCounts {
  readonly accepted: number;
  readonly held: number;
  /** Refused by a reviewer. */
  readonly refused: number;
  readonly superseded: number;
  /** Accepted results that are delivered, confirmed ones among them. */
  readonly delivered: number;
  readonly confirmed: number;
}

/** One cell of the comparison: results of one measured day, receipt and instrument. */
export interface Cell extends ResultCounts {
  /** `YYYY-MM-DD` in the site's zone. */
  readonly day: string;
  /** '' for results that belong to no known receipt. */
  readonly receiptId: string;
  /** '' for an instrument that cannot be read. */
  readonly instrument: string;
  /** '' counts results, delivered and confirmed wherever it is required; otherwise what one destination has. */
  readonly destination: string;
}

/** Containers of one announced receipt. */
export interface ReceiptTally {
  readonly receiptId: string;
  /** Day of its goods receipt; '' when not known. */
  readonly day: string;
  readonly containers: number;
  readonly expected: number;
  readonly measured: number;
}

export interface TallySettings {
  readonly dayOf: (instant: Instant) => string;
  readonly destinations: readonly { readonly name: string; readonly required: boolean }[];
}

/** Counts results by day, receipt, instrument and destination; a late result counts when it was measured. */
export function tallyResults(
  results: readonly MeasuredResult[],
  deliveries: readonly SentDelivery[],
  { dayOf, destinations }: TallySettings,
): Cell[] {
  const states = latestStates(deliveries);
  const required = destinations.filter((d) => d.required).map((d) => d.name);
  const cells = new Map<string, Mutable<Cell>>();
  for (const result of results) {
    const place = {
      day: dayOf(result.countsAt),
      receiptId: result.receiptId ?? '',
      instrument: result.instrument ?? '',
    };
    const all = cellAt(cells, { ...place, destination: '' });
    all[result.state] += 1;
    if (result.state !== 'accepted') continue;
    const stateAt = (name: string) => states.get(stateKey(result.rowId, name));
    if (required.length > 0 && required.every((name) => isDelivered(stateAt(name)))) {
      all.delivered += 1;
    }
    if (required.length > 0 && required.every((name) => stateAt(name) === 'confirmed')) {
      all.confirmed += 1;
    }
    for (const { name } of destinations) {
      if (!isDelivered(stateAt(name))) continue;
      const there = cellAt(cells, { ...place, destination: name });
      there.delivered += 1;
      if (stateAt(name) === 'confirmed') there.confirmed += 1;
    }
  }
  return [...cells.values()];
}

type Mutable<T> = { -readonly [K in keyof T]: T[K] };

function cellAt(
  cells: Map<string, Mutable<Cell>>,
  place: Pick<Cell, 'day' | 'receiptId' | 'instrument' | 'destination'>,
): Mutable<Cell> {
  const key = cellKey(place);
  const cell = cells.get(key) ?? { ...place, ...NOTHING };
  cells.set(key, cell);
  return cell;
}

const NOTHING: ResultCounts = {
  accepted: 0,
  held: 0,
  refused: 0,
  superseded: 0,
  delivered: 0,
  confirmed: 0,
};

export function cellKey(
  of: Pick<Cell, 'day' | 'receiptId' | 'instrument' | 'destination'>,
): string {
  return JSON.stringify([of.day, of.receiptId, of.instrument, of.destination]);
}

/** Adds cells counted over other results to these. */
export function addCells(to: Map<string, Cell>, cells: readonly Cell[]): void {
  for (const cell of cells) {
    const before = to.get(cellKey(cell)) ?? NOTHING;
    to.set(cellKey(cell), {
      ...cell,
      accepted: before.accepted + cell.accepted,
      held: before.held + cell.held,
      refused: before.refused + cell.refused,
      superseded: before.superseded + cell.superseded,
      delivered: before.delivered + cell.delivered,
      confirmed: before.confirmed + cell.confirmed,
    });
  }
}

/** Where each result stands at each destination, by its latest build. */
function latestStates(deliveries: readonly SentDelivery[]): ReadonlyMap<string, string> {
  const latest = new Map<string, SentDelivery>();
  for (const d of deliveries) {
    if (d.subjectKind !== 'result') continue;
    const key = stateKey(d.subjectId, d.destination);
    const before = latest.get(key);
    if (!before || isLater(d, before)) latest.set(key, d);
  }
  return new Map([...latest].map(([key, d]) => [key, d.state]));
}

function isLater(a: SentDelivery, b: SentDelivery): boolean {
  return a.subjectRevision === b.subjectRevision
    ? a.build > b.build
    : a.subjectRevision > b.subjectRevision;
}

function stateKey(resultRowId: string, destination: string): string {
  return JSON.stringify([resultRowId, destination]);
}

function isDelivered(state: string | undefined): boolean {
  return state === 'accepted' || state === 'confirmed';
}

/** Counts the containers of one receipt, by container and not by result. */
export function tallyReceipt(
  receipt: { readonly receiptId: string; readonly receivedAt: Instant | null },
  containers: readonly ExpectedContainer[],
  results: readonly MeasuredResult[],
  dayOf: TallySettings['dayOf'],
): ReceiptTally {
  const measured = measuredContainers(results);
  const required = containers.filter((c) => c.required);
  return {
    receiptId: receipt.receiptId,
    day: receipt.receivedAt === null ? '' : dayOf(receipt.receivedAt),
    containers: containers.length,
    expected: required.length,
    measured: required.filter((c) => measured.has(containerSubject(c.receiptId, c.label))).length,
  };
}
