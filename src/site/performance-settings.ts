import type { Decimal } from '../formats/decimal.js';
import type { Instant } from '../formats/instant.js';

/** `performance-checks.yaml`, read and checked: by what an instrument's performance checks are judged. */
export interface PerformanceSettings {
  readonly standards: readonly PerformanceStandard[];
  readonly sets: readonly ToleranceSet[];
}

/** A reference standard of the site, under the name that the instruments report. */
export interface PerformanceStandard {
  readonly id: string;
  /** Where its positions come from: a published list, or the certificate of the very piece. */
  readonly source: string;
  /** cm-1. */
  readonly shifts: readonly Decimal[];
  /** Nothing is checked on it from this instant on; null when its positions are a published list's. */
  readonly expires: Instant | null;
}

/** What instruments of one class must show, from an instant on. */
export interface ToleranceSet {
  readonly id: string;
  /** Serials of the class. */
  readonly instruments: readonly string[];
  /** In force from here on, until a later set of the same instrument. */
  readonly from: Instant;
  /** Who asks for these tolerances, and in which edition: the site's own word. */
  readonly source: string;
  readonly edition: string;
  /** A result counts only when the last check before it is not older than this. */
  readonly intervalMs: number;
  readonly repeats: {
    /** Checks after a failed one of which one may pass. */
    readonly max: number;
    readonly withinMs: number;
  };
  /** How far a centre that is fitted to the spectrum of a check may lie from the reported one, cm-1. */
  readonly spectrumTolerance: Decimal;
  /**
   * How many checks in a row a band with a centre may lie on one side of it; left out: not looked at.
   * `docs/performance.md` says where the rule comes from.
   */
  readonly run?: { readonly points: number; readonly source: string };
  readonly standards: readonly {
    readonly standard: string;
    readonly peaks: readonly PeakTolerance[];
  }[];
}

export interface PeakTolerance {
  /** cm-1, one of the standard's. */
  readonly shift: Decimal;
  /** Largest distance from it that passes, cm-1, inclusive. */
  readonly tolerance: Decimal;
  /** Distances from which on a check that passes is remarked, cm-1, inclusive; warning ≤ action ≤ tolerance. */
  readonly warning: Decimal;
  readonly action: Decimal;
  /** Where the instruments of the set show it when nothing is wrong, cm-1: the centre line of its chart. */
  readonly centre?: Decimal;
}

/** The set that judges an instrument at an instant; null when the site has none that was in force. */
export function toleranceSetAt(
  settings: PerformanceSettings,
  serial: string,
  at: Instant,
): ToleranceSet | null {
  let found: ToleranceSet | null = null;
  for (const set of settings.sets) {
    if (!set.instruments.includes(serial) || set.from > at) continue;
    if (found === null || set.from > found.from) found = set;
  }
  return found;
}
