import {
  joinSpans,
  type RunRange,
  rangesOf,
  runsInWords,
  spansOfEpoch,
  subtractSpans,
} from '../checks/run-ranges.js';
import type { JsonValue } from '../formats/canonical-json.js';
import type { ShownDocument } from '../signatures/shown-document.js';
import type { BundleState, ResultState } from '../storage/tables.js';

/** A result of a held bundle, as far as its refusal depends on it. */
export interface ResultOfBundle {
  readonly rowId: string;
  readonly resultId: string;
  readonly state: ResultState;
  readonly decision: string | null;
  readonly contrary: boolean;
  readonly runNumber: number | null;
  readonly receiptId: string | null;
  readonly operatorId: string | null;
}

/** Everything the refusal of a held bundle depends on, as of now. */
export interface BundleCase {
  readonly rowId: string;
  readonly bundleId: string | null;
  readonly sha256: string;
  readonly state: BundleState;
  readonly instrument: string | null;
  /** As it declares them; null where that cannot be read. `first` is null when it declares none. */
  readonly runs: {
    readonly epoch: number;
    readonly first: number | null;
    readonly last: number;
  } | null;
  readonly receivedAt: string;
  readonly findings: readonly {
    readonly code: string;
    readonly pointer: string;
    readonly message: string;
  }[];
  readonly results: readonly ResultOfBundle[];
  /** Runs of its performance checks. */
  readonly checkRuns: readonly number[];
  /** Runs that accepted bundles hold something for. */
  readonly acceptedRuns: readonly RunRange[];
}

/** Whether a held bundle may be refused, why not, and what that does. */
export interface BundleRefusal {
  readonly possible: boolean;
  readonly because: readonly string[];
  readonly effects: readonly string[];
  /** Runs that nobody accounts for once it is refused: each becomes a gap. */
  readonly gaps: readonly RunRange[];
}

/**
 * What refusing a held bundle would do. What was measured in its runs is unknown then, so every run that no accepted
 * bundle holds becomes a gap, which blocks the same receipts as the held bundle did (release-safety rules 9 and 10).
 * A bundle whose runs cannot be counted is not refused: nothing could say what is missing without it.
 */
export function bundleRefusal(about: BundleCase): BundleRefusal {
  const { runs, results } = about;
  const because = againstRefusal(about);
  if (because.length > 0 || runs === null)
    return { possible: false, because, effects: [], gaps: [] };
  const numbers = [...results.map((r) => r.runNumber), ...about.checkRuns];
  const own = joinSpans([
    ...(runs.first === null ? [] : [{ from: runs.first, to: runs.last }]),
    ...numbers.flatMap((run) => (run === null ? [] : [{ from: run, to: run }])),
  ]);
  const accepted = spansOfEpoch(about.acceptedRuns, runs.epoch);
  const gaps = rangesOf(subtractSpans(own, accepted), runs.epoch);
  const contrary = results.filter((r) => r.contrary).length;
  const held = results.filter((r) => r.state === 'held').length;
  return {
    possible: true,
    because,
    gaps,
    effects: [
      'the bundle stays stored, and is refused',
      ...gaps.map(
        (gap) =>
          `${runsInWords(gap)} of epoch ${gap.epoch} become a gap: receipts they could belong to stay open until a bundle holds them`,
      ),
      ...(gaps.length === 0 ? ['other bundles hold all of its runs: nothing is missing'] : []),
      ...(contrary > 0
        ? [`${contrary} contrary results of it count on against their receipts`]
        : []),
      ...(held > 0 ? [`${held} held results of it wait on, each for its own review`] : []),
    ],
  };
}

function againstRefusal({ state, instrument, runs, results }: BundleCase): string[] {
  if (state !== 'held') return [`it is ${state}, there is nothing to refuse`];
  const against: string[] = [];
  if (instrument === null)
    against.push('it names no instrument, so nobody can say whose runs it holds');
  if (runs === null)
    against.push('its runs cannot be read, so nobody can say what is missing without it');
  const unnumbered = results.filter((r) => r.runNumber === null).length;
  if (unnumbered > 0) against.push(`${unnumbered} of its results bear no run number`);
  return against;
}

/** What a signer is shown of a held bundle; what its results are called and which state they have is beside it. */
export function bundleDocument(about: BundleCase): ShownDocument {
  const { rowId, state, results, acceptedRuns: _, ...said } = about;
  const { possible, because, effects, gaps } = bundleRefusal(about);
  const record = {
    ...said,
    results: results.map(({ state: _state, receiptId: _receipt, ...result }) => result),
  };
  const context = {
    state,
    results: results.map((r) => ({ rowId: r.rowId, state: r.state, receiptId: r.receiptId })),
    refuse: { possible, because, effects, gaps },
  };
  return {
    subject: { kind: 'bundle', id: rowId, revision: 1 },
    record: record as unknown as JsonValue,
    context: context as unknown as JsonValue,
  };
}
