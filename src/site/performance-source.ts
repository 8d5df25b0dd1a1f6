import { compareDecimals, type Decimal, distanceOfDecimals } from '../formats/decimal.js';
import { type Instant, parseTimestamp } from '../formats/instant.js';
import type { PeakTolerance, PerformanceSettings } from './performance-settings.js';
import { findReferenceShifts, REFERENCE_SHIFTS } from './reference-shifts.js';
import { type SchemaCheck, schemaFaults } from './schema-faults.js';
import type { DocumentPath, RuleFault, SiteFault } from './site-fault.js';
import { placed, readYaml } from './yaml-source.js';

export const PERFORMANCE_FILE = 'performance-checks.yaml';

interface StandardEntry {
  readonly id: string;
  readonly published?: string;
  readonly certificate?: {
    readonly number: string;
    readonly issuedBy: string;
    readonly expires: string;
    readonly shifts: readonly Decimal[];
  };
}

interface SetEntry {
  readonly id: string;
  readonly instruments: readonly string[];
  readonly from: string;
  readonly source: string;
  readonly edition: string;
  readonly intervalMinutes: number;
  readonly repeats: { readonly max: number; readonly withinMinutes: number };
  readonly spectrumTolerance: Decimal;
  readonly run?: { readonly points: number; readonly source: string };
  readonly standards: readonly {
    readonly standard: string;
    readonly peaks: readonly PeakTolerance[];
  }[];
}

interface PerformanceEntries {
  readonly standards: readonly StandardEntry[];
  readonly sets: readonly SetEntry[];
}

export interface PerformanceRead {
  /** null when the folder has no such file, or it has faults. */
  readonly settings: PerformanceSettings | null;
  readonly faults: readonly SiteFault[];
}

const MINUTE_MS = 60_000;
const NEVER = 0 as Instant;

/**
 * Reads `performance-checks.yaml`, which a site folder may do without.
 *
 * @param serials of the site's instruments; null when `site.yaml` could not be read
 */
export function readPerformance(
  texts: Readonly<Record<string, string>>,
  serials: ReadonlySet<string> | null,
  check: SchemaCheck,
): PerformanceRead {
  const text = Object.hasOwn(texts, PERFORMANCE_FILE) ? texts[PERFORMANCE_FILE] : undefined;
  if (text === undefined) return { settings: null, faults: [] };
  const read = readYaml(PERFORMANCE_FILE, text);
  if (!read.ok) return { settings: null, faults: read.faults };
  const shape = schemaFaults(check(read.source.value));
  const entries = read.source.value as PerformanceEntries;
  const faults = shape.length > 0 ? shape : ruleFaults(entries, serials);
  if (faults.length > 0) {
    return { settings: null, faults: faults.map((fault) => placed(read.source, fault)) };
  }
  return { settings: build(entries), faults: [] };
}

function build({ standards, sets }: PerformanceEntries): PerformanceSettings {
  return {
    standards: standards.map(({ id, published, certificate }) =>
      certificate === undefined
        ? { id, ...ofList(published ?? ''), expires: null }
        : {
            id,
            source: `certificate ${certificate.number} of ${certificate.issuedBy}`,
            shifts: certificate.shifts,
            expires: instantOf(certificate.expires),
          },
    ),
    sets: sets.map(({ intervalMinutes, repeats, ...set }) => ({
      ...set,
      from: instantOf(set.from) ?? NEVER,
      intervalMs: intervalMinutes * MINUTE_MS,
      repeats: { max: repeats.max, withinMs: repeats.withinMinutes * MINUTE_MS },
    })),
  };
}

function ofList(id: string): { readonly source: string; readonly shifts: readonly Decimal[] } {
  const list = findReferenceShifts(id);
  return {
    source: `${list?.source ?? ''} (list ${id})`,
    shifts: list?.shifts.map(({ shift }) => shift) ?? [],
  };
}

function instantOf(text: string): Instant | null {
  return parseTimestamp(text)?.instant ?? null;
}

function ruleFaults(entries: PerformanceEntries, serials: ReadonlySet<string> | null): RuleFault[] {
  return [
    ...entries.standards.flatMap((standard, i) => standardFaults(standard, ['standards', i])),
    ...doubles(
      entries.standards.map(({ id }) => id),
      (i) => ['standards', i, 'id'],
      'standard',
    ),
    ...doubles(
      entries.sets.map(({ id }) => id),
      (i) => ['sets', i, 'id'],
      'set',
    ),
    ...doubles(
      entries.sets.flatMap((set) =>
        set.instruments.map((serial) => `${serial} from ${instantOf(set.from) ?? set.from}`),
      ),
      () => ['sets'],
      'instrument and beginning of a set',
    ),
    ...entries.sets.flatMap((set, i) => setFaults(set, ['sets', i], entries, serials)),
  ];
}

function standardFaults(standard: StandardEntry, path: DocumentPath): RuleFault[] {
  const { published, certificate } = standard;
  if ((published === undefined) === (certificate === undefined)) {
    return [
      {
        path,
        rule: 'standard-positions',
        message: `standard ${JSON.stringify(standard.id)} needs either published or certificate`,
        remedy: 'Name a published list, or write down the certificate of the very piece.',
      },
    ];
  }
  if (published !== undefined && findReferenceShifts(published) === null) {
    const known = REFERENCE_SHIFTS.map(({ id }) => id).join(', ');
    return [
      {
        path: [...path, 'published'],
        rule: 'unknown-reference-list',
        message: `there is no published list ${JSON.stringify(published)}`,
        remedy: `Name one of ${known}, or write down the certificate.`,
      },
    ];
  }
  if (certificate === undefined) return [];
  return [
    ...timeFaults(certificate.expires, [...path, 'certificate', 'expires']),
    ...doubleShifts(certificate.shifts, [...path, 'certificate', 'shifts']),
  ];
}

function setFaults(
  set: SetEntry,
  path: DocumentPath,
  entries: PerformanceEntries,
  serials: ReadonlySet<string> | null,
): RuleFault[] {
  const unknown = serials === null ? [] : set.instruments.filter((serial) => !serials.has(serial));
  return [
    ...timeFaults(set.from, [...path, 'from']),
    ...unknown.map((serial) => ({
      path: [...path, 'instruments'],
      rule: 'unknown-instrument',
      message: `instrument ${JSON.stringify(serial)} is not in site.yaml`,
      remedy: 'Register the instrument, or correct the serial.',
    })),
    ...set.standards.flatMap(({ standard, peaks }, i) => {
      const known = entries.standards.find(({ id }) => id === standard);
      if (known === undefined) {
        return [
          {
            path: [...path, 'standards', i, 'standard'],
            rule: 'unknown-standard',
            message: `standard ${JSON.stringify(standard)} is not in this file`,
            remedy: 'List the standard with its positions, or correct its name.',
          },
        ];
      }
      const shifts = known.certificate?.shifts ?? ofList(known.published ?? '').shifts;
      const at = [...path, 'standards', i, 'peaks'];
      return [
        ...doubleShifts(
          peaks.map(({ shift }) => shift),
          at,
        ),
        ...peaks.flatMap((peak, p) => [
          ...peakFaults(peak, shifts, [...at, p]),
          ...centreFaults(peak, set, [...at, p, 'centre']),
        ]),
      ];
    }),
    ...runFaults(set, [...path, 'run']),
    ...doubles(
      set.standards.map(({ standard }) => standard),
      (i) => [...path, 'standards', i, 'standard'],
      'standard of the set',
    ),
  ];
}

function peakFaults(
  peak: PeakTolerance,
  shifts: readonly Decimal[],
  path: DocumentPath,
): RuleFault[] {
  const faults: RuleFault[] = [];
  if (!shifts.some((shift) => compareDecimals(shift, peak.shift) === 0)) {
    faults.push({
      path: [...path, 'shift'],
      rule: 'unknown-peak',
      message: `the standard has no band at ${peak.shift} cm-1; it has ${shifts.join(', ')}`,
      remedy: 'Write the position as the list or the certificate has it.',
    });
  }
  if (
    compareDecimals(peak.warning, peak.action) > 0 ||
    compareDecimals(peak.action, peak.tolerance) > 0
  ) {
    faults.push({
      path,
      rule: 'limits-out-of-order',
      message: `warning ${peak.warning}, action ${peak.action}, tolerance ${peak.tolerance}: expected none above the next`,
      remedy: 'A warning comes before an action, and an action before the tolerance ends.',
    });
  }
  return faults;
}

function centreFaults(
  { centre, shift, tolerance }: PeakTolerance,
  { run }: SetEntry,
  path: DocumentPath,
): RuleFault[] {
  if (centre === undefined) return [];
  if (run === undefined) {
    return [
      {
        path,
        rule: 'centre-without-run',
        message: `the band at ${shift} cm-1 has a centre, and the set does not say how long a run on one side of it may be`,
        remedy: 'Write run with points and source, or remove the centre.',
      },
    ];
  }
  if (compareDecimals(distanceOfDecimals(centre, shift), tolerance) <= 0) return [];
  return [
    {
      path,
      rule: 'centre-out-of-tolerance',
      message: `the centre ${centre} lies further than the tolerance ${tolerance} from ${shift}`,
      remedy: 'Write where the instruments show the band when nothing is wrong, in cm-1.',
    },
  ];
}

function runFaults({ run, standards }: SetEntry, path: DocumentPath): RuleFault[] {
  const hasCentre = standards.some(({ peaks }) => peaks.some((p) => p.centre !== undefined));
  if (run === undefined || hasCentre) return [];
  return [
    {
      path,
      rule: 'run-without-centre',
      message: 'no band of the set has a centre, so no run on one side of it is ever found',
      remedy: 'Write centre for the bands that are to be looked at, or remove run.',
    },
  ];
}

function timeFaults(text: string, path: DocumentPath): RuleFault[] {
  if (instantOf(text) !== null) return [];
  return [
    {
      path,
      rule: 'time',
      message: `expected an RFC 3339 time with offset, found ${JSON.stringify(text)}`,
      remedy: 'Write a time such as 2026-01-01T00:00:00Z.',
    },
  ];
}

function doubleShifts(shifts: readonly Decimal[], path: DocumentPath): RuleFault[] {
  const isDouble = shifts.some((shift, i) =>
    shifts.some((other, k) => k < i && compareDecimals(other, shift) === 0),
  );
  if (!isDouble) return [];
  return [
    { path, rule: 'double-entry', message: 'a position is listed twice', remedy: 'List it once.' },
  ];
}

function doubles(
  ids: readonly string[],
  path: (index: number) => DocumentPath,
  what: string,
): RuleFault[] {
  return ids.flatMap((id, i) =>
    ids.indexOf(id) === i
      ? []
      : [
          {
            path: path(i),
            rule: 'double-entry',
            message: `the ${what} ${JSON.stringify(id)} is listed twice`,
            remedy: 'Keep one of them.',
          },
        ],
  );
}
