import { isWavenumber } from './open-spectrum.js';

/** What is wrong with one cell of a header. */
export interface HeaderFault {
  /** 1 or 2; 0 for the whole line. */
  readonly column: number;
  readonly message: string;
}

const AXES = new Set(['ramanshift', 'shift', 'wavenumber', 'wavenumbers']);
/** Units that are a part of a name, as in `raman_shift_cm1`; by itself too. */
const IN_NAME = /(?:^|[\s_])(?:cm-?1|cm\^-1|cm⁻¹|1\/cm)$/;
/** No name with its unit, start and step is longer; some patterns below take long over a long cell. */
const CELL_MAX = 200;
const INTENSITIES = new Set([
  'intensity',
  'intensities',
  'ramanintensity',
  'counts',
  'countspersecond',
  'intensitycounts',
  'signal',
]);

/**
 * What a header line above two columns has against them being a Raman shift in cm-1 and an intensity, in this order; null for
 * nothing. The names that are known are few: read under any other, columns that are swapped, an axis in nanometres or
 * a standard deviation would be taken for what they are not.
 */
export function headerFault(cells: readonly string[]): HeaderFault | null {
  if (cells.length !== 2) {
    return { column: 0, message: `expected a header of two columns, found ${cells.length}` };
  }
  const long = cells.find((cell) => cell.length > CELL_MAX);
  if (long !== undefined) {
    const message = `expected a header of at most ${CELL_MAX} characters, found ${long.length}`;
    return { column: cells.indexOf(long) + 1, message };
  }
  const [first, second] = cells.map(headerText) as [string, string];
  const unit = unitOfHeader(first);
  const name = wordOf(first).replace(IN_NAME, '');
  const isUnitAlone = name === '' && (unit !== null || IN_NAME.test(wordOf(first)));
  if (unit !== null && !isWavenumber(unit)) {
    const message = `expected a Raman shift in cm-1, found the unit ${quoted(unit)}`;
    return { column: 1, message };
  }
  if (!isUnitAlone && !AXES.has(squeezed(name))) {
    const message = `expected a Raman shift in cm-1 under a header such as raman_shift_cm1, found ${quoted(first)}`;
    return { column: 1, message };
  }
  const counted =
    wordOf(second) === '' ? (unitOfHeader(second) ?? '').toLowerCase() : wordOf(second);
  if (!INTENSITIES.has(squeezed(counted))) {
    const message = `expected intensities under a header such as intensity, found ${quoted(second)}`;
    return { column: 2, message };
  }
  return null;
}

/** A cell without quotes around it, and without the start and step that an even axis is declared by. */
function headerText(cell: string): string {
  return (
    cell
      .replace(/^"(.*)"$/, '$1')
      .replace(/ start=.*$/, '')
      // A true minus sign, as typesetting programs write it.
      .replaceAll('\u2212', '-')
      .trim()
  );
}

/** The unit of `name (unit)`, `name [unit]` or `name/unit`; null for a name alone. */
export function unitOfHeader(cell: string): string | null {
  const text = headerText(cell);
  const own = /^intensity\/(.+)$/.exec(text);
  const found = own ?? /[([]([^()[\]]+)[)\]]$/.exec(text) ?? /^[^/\d]*\/(.+)$/.exec(text);
  return found?.[1]?.trim() ?? null;
}

/** What stands before the unit, in lower case. */
function wordOf(text: string): string {
  const unit = unitOfHeader(text);
  const end = unit === null ? text.length : text.lastIndexOf(unit);
  return text
    .slice(0, end)
    .replace(/[\s/([]+$/, '')
    .toLowerCase();
}

function squeezed(name: string): string {
  return name.replace(/[\s_-]/g, '');
}

function quoted(text: string): string {
  return JSON.stringify(text.slice(0, 40));
}
