import type { UnitKey } from './animl-units.js';
import { RECORD_FIELDS, type RecordField } from './record-fields.js';

/**
 * Where every field of the record stands in an AnIML document. Writer, reader and the technique
 * definition are all made from this table, so that none can know a parameter the others do not.
 */
export type AnimlPlace = 'sample' | 'method' | 'spectrum' | 'identity' | 'provenance';

export interface PlacedField extends RecordField {
  readonly place: AnimlPlace;
  readonly category: string;
  readonly parameter: string;
  readonly unit?: UnitKey;
}

export interface PlacedCategory {
  readonly name: string;
  readonly fields: readonly PlacedField[];
}

export const RESULT_NAMES = {
  spectrum: 'Spectrum',
  identity: 'Identity',
  provenance: 'Provenance',
} as const;

/** Names of what the table does not hold: series, and the three lists of the identity result. */
export const NAMES = {
  seriesSet: 'Raman Spectrum',
  shift: 'Raman Shift',
  intensity: 'Intensity',
  role: 'Tested Container',
  candidates: 'Candidates',
  candidate: 'Candidate',
  candidateRank: 'Rank',
  candidateMaterial: 'Material Code',
  candidateScore: 'Score',
  remarks: 'Remarks',
  remark: 'Remark',
  remarkName: 'Name',
  remarkText: 'Text',
  findings: 'Findings',
  finding: 'Finding',
} as const;

type Row = readonly [at: string, parameter: string, unit?: UnitKey];

const PLACED: readonly (readonly [AnimlPlace, string, readonly Row[]])[] = [
  [
    'sample',
    'Container',
    [
      ['container.scanned', 'Container Label'],
      ['container.entry', 'Container Entry'],
      ['receipt.scanned', 'Receipt Label'],
      ['receipt.entry', 'Receipt Entry'],
    ],
  ],
  [
    'sample',
    'Material',
    [
      ['material', 'Material Code'],
      ['lot', 'Lot Number'],
    ],
  ],
  [
    'method',
    'Identity Method',
    [
      ['method.id', 'Method Id'],
      ['method.version', 'Method Version'],
      ['method.digest', 'Method Content Digest'],
      ['mode', 'Mode'],
    ],
  ],
  [
    'method',
    'Instrument',
    [
      ['instrument.serial', 'Serial Number'],
      ['instrument.model', 'Model'],
      ['instrument.firmware', 'Firmware Version'],
    ],
  ],
  [
    'method',
    'Acquisition',
    [
      ['instrument.laserWavelengthNm', 'Excitation Wavelength', 'wavelength'],
      ['acquisition.laserPowerMw', 'Laser Power', 'power'],
      ['acquisition.integrationTimeMs', 'Integration Time', 'time'],
      ['acquisition.accumulations', 'Accumulations'],
      ['acquisition.backgroundSubtracted', 'Background Subtracted'],
    ],
  ],
  [
    'method',
    'Presentation',
    [
      ['place', 'Place'],
      ['presentation.kind', 'Presentation Kind'],
      ['presentation.between', 'Between'],
      ['presentation.probeCover', 'Probe Cover'],
    ],
  ],
  [
    'method',
    'Operator',
    [
      ['operator.id', 'Operator Id'],
      ['operator.name', 'Operator Name'],
    ],
  ],
  [
    'method',
    'Time',
    [
      ['measuredAt.reported', 'Measured At'],
      ['measuredAt.utc', 'Measured At UTC'],
      ['measuredAt.source', 'Time Source'],
      ['measuredAt.zone', 'Time Zone'],
    ],
  ],
  [
    'spectrum',
    'Spectrum Summary',
    [
      ['spectrum.points', 'Points'],
      ['spectrum.axisWidth', 'Axis Width'],
      ['spectrum.intensityWidth', 'Intensity Width'],
      ['spectrum.axisFirst', 'Axis First'],
      ['spectrum.axisLast', 'Axis Last'],
      ['spectrum.intensityUnit', 'Intensity Unit'],
      ['spectrum.sha256', 'Values SHA-256'],
    ],
  ],
  [
    'identity',
    'Verdict',
    [
      ['decision', 'Decision'],
      ['score.algorithm', 'Algorithm'],
      ['score.value', 'Score'],
      ['score.threshold', 'Threshold'],
    ],
  ],
  [
    'identity',
    'Recheck',
    [
      ['recheck.answer', 'Recheck Answer'],
      ['recheck.score', 'Recheck Score'],
      ['recheck.reason', 'Recheck Reason'],
    ],
  ],
  [
    'identity',
    'Supersedes',
    [
      ['supersedes.resultId', 'Superseded Result'],
      ['supersedes.reason', 'Reason'],
    ],
  ],
  [
    'provenance',
    'Record',
    [
      ['schema', 'Schema'],
      ['version', 'Schema Version'],
      ['site', 'Site'],
      ['resultId', 'Result Id'],
      ['revision', 'Revision'],
      ['environment', 'Environment'],
      ['origin', 'Origin'],
    ],
  ],
  [
    'provenance',
    'Source Bundle',
    [
      ['bundle.bundleId', 'Bundle Id'],
      ['bundle.sha256', 'Bundle SHA-256'],
      ['bundle.receivedAt', 'Received At'],
      ['bundle.pointer', 'Pointer'],
      ['bundle.syncPc', 'Sync PC'],
    ],
  ],
  [
    'provenance',
    'Run',
    [
      ['run.epoch', 'Epoch'],
      ['run.number', 'Run Number'],
    ],
  ],
];

const BY_PATH = new Map(RECORD_FIELDS.map((field) => [field.at, field]));

const CATEGORIES: ReadonlyMap<AnimlPlace, readonly PlacedCategory[]> = placedCategories();

/** The categories of one place, in the order they are written. */
export function categoriesOf(place: AnimlPlace): readonly PlacedCategory[] {
  return CATEGORIES.get(place) ?? [];
}

/** How a kind of field is written: AnIML type, value element, and the technique definition's wider type. */
export const VALUE_FORMS = {
  text: { type: 'String', element: 'S', blueprint: 'String' },
  sha256: { type: 'String', element: 'S', blueprint: 'String' },
  // The text of a D element is the reported text, digits and all: readers that need them take the text.
  decimal: { type: 'Float64', element: 'D', blueprint: 'Float' },
  integer: { type: 'Int64', element: 'L', blueprint: 'Int' },
  boolean: { type: 'Boolean', element: 'Boolean', blueprint: 'Boolean' },
  timestamp: { type: 'DateTime', element: 'DateTime', blueprint: 'DateTime' },
} as const;

function placedCategories(): ReadonlyMap<AnimlPlace, readonly PlacedCategory[]> {
  const places = new Map<AnimlPlace, PlacedCategory[]>();
  for (const [place, category, rows] of PLACED) {
    const fields = rows.map((row) => placedField(place, category, row));
    places.set(place, [...(places.get(place) ?? []), { name: category, fields }]);
  }
  return places;
}

function placedField(place: AnimlPlace, category: string, row: Row): PlacedField {
  const [at, parameter, unit] = row;
  const field = BY_PATH.get(at);
  if (field === undefined)
    throw new Error(`the layout names ${at}, which is no field of the record`);
  return { ...field, place, category, parameter, ...(unit === undefined ? {} : { unit }) };
}
