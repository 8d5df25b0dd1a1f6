import {
  JCAMP_LIMITS,
  type JcampBlock,
  type JcampFault,
  type JcampLimits,
  jcampValue,
} from './jcamp.js';
import { readJcamp } from './jcamp-reader.js';
import {
  isWavenumber,
  type OpenFault,
  type OpenRead,
  type OpenSpectrum,
  spectrumFault,
} from './open-spectrum.js';

/** The data type of a Raman spectrum. */
export const RAMAN = 'RAMAN SPECTRUM';

/**
 * The Raman spectra of any JCAMP-DX file, in the order of the file, LINK blocks entered. Blocks of another data
 * type are passed over; a file without a Raman spectrum is refused, and so is a spectrum whose header and data do
 * not agree, since nobody can say which of the two is right.
 *
 * @param options.isCounted true where the caller knows how many points there are, and compares; else NPOINTS has to say it
 * @param options.mayDisagree for a conversion, which decides nothing: what does not agree goes along as a note
 */
export function readOpenJcamp(
  bytes: Uint8Array,
  options: {
    readonly limits?: JcampLimits;
    readonly isCounted?: boolean;
    readonly mayDisagree?: boolean;
  } = {},
): OpenRead {
  const { limits = JCAMP_LIMITS, isCounted = false, mayDisagree = false } = options;
  const read = readJcamp(bytes, limits);
  if (!read.ok) return { ok: false, fault: openFault(read.fault) };
  const spectra: OpenSpectrum[] = [];
  for (const block of everyBlock(read.block)) {
    if (block.data === null || !isRaman(block)) continue;
    const known = isCounted ? block : counted(block);
    const spectrum = spectrumOf(mayDisagree ? noted(known) : known);
    if ('message' in spectrum) return { ok: false, fault: spectrum };
    spectra.push(spectrum);
  }
  if (spectra.length > 0) return { ok: true, spectra };
  const found = jcampValue(read.block, 'DATATYPE') ?? 'none';
  return {
    ok: false,
    fault: { at: 'line 1', message: `expected the data type ${RAMAN}, found ${found}` },
  };
}

/** Without NPOINTS nothing tells a number that was read as two, or a line that is missing. */
function counted(block: JcampBlock): JcampBlock {
  if (jcampValue(block, 'NPOINTS') !== null) return block;
  const message = 'expected NPOINTS, found none: nothing says how many points there are';
  return { ...block, deviations: [...block.deviations, { line: block.line, column: 0, message }] };
}

/** The block with what does not agree in it as records, so that it stays with the spectrum. */
function noted(block: JcampBlock): JcampBlock {
  const notes = block.deviations.map((fault, index) => {
    const { at, message } = openFault(fault);
    return { label: `$DEVIATION ${index + 1}`, value: `${at}: ${message}`, line: fault.line };
  });
  return { ...block, records: [...block.records, ...notes], deviations: [] };
}

function* everyBlock(block: JcampBlock): Generator<JcampBlock> {
  yield block;
  for (const inner of block.blocks) yield* everyBlock(inner);
}

function isRaman(block: JcampBlock): boolean {
  return normalLabel(jcampValue(block, 'DATATYPE') ?? '') === normalLabel(RAMAN);
}

export interface AgreeingData {
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly line: number;
}

/** Data of a block whose header says the same. */
export function agreeingData({ data, deviations, line }: JcampBlock): AgreeingData | OpenFault {
  const [deviation] = deviations;
  if (deviation !== undefined) return openFault(deviation);
  if (data === null || data.x === null || data.label === 'PEAKTABLE') {
    return { at: `line ${line}`, message: 'expected a spectrum with FIRSTX, LASTX and NPOINTS' };
  }
  return { x: data.x, y: data.y, line: data.line };
}

function spectrumOf(block: JcampBlock): OpenSpectrum | OpenFault {
  const data = agreeingData(block);
  if ('message' in data) return data;
  const unit = jcampValue(block, 'XUNITS') ?? '';
  if (!isWavenumber(unit)) {
    return {
      at: `line ${block.line}`,
      message: `expected XUNITS 1/CM, found ${JSON.stringify(unit)}`,
    };
  }
  const fault = spectrumFault(data.x, data.y);
  if (fault !== null) return { at: `line ${data.line}`, message: fault };
  const notes = new Map<string, string>();
  for (const { label, value } of block.records) {
    if (OF_THE_FORM.has(label)) continue;
    const before = notes.get(label);
    notes.set(label, before === undefined ? value : `${before}\n${value}`);
  }
  return {
    title: block.title,
    axis: data.x,
    intensity: data.y,
    intensityUnit: jcampValue(block, 'YUNITS') ?? 'arbitrary',
    notes: [...notes].map(([name, text]) => ({ name, text })),
  };
}

/** Labels that say how the numbers stand in this file: another file would be told something wrong. */
const OF_THE_FORM = new Set([
  ...['JCAMPDX', 'DATATYPE', 'DATACLASS', 'BLOCKID', 'XUNITS', 'YUNITS', 'NPOINTS', 'FIRSTX'],
  ...['LASTX', 'DELTAX', 'XFACTOR', 'YFACTOR', 'FIRSTY', 'MAXX', 'MINX', 'MAXY', 'MINY'],
]);

/** Labels and data types compare without case, blanks, `-`, `/` and `_`. */
export function normalLabel(label: string): string {
  return label.toUpperCase().replace(/[\s\-/_]/g, '');
}

/** A fault of a JCAMP-DX file in the form every open format has. */
export function openFault({ line, column, message }: JcampFault): OpenFault {
  return { at: column === 0 ? `line ${line}` : `line ${line}, column ${column}`, message };
}
