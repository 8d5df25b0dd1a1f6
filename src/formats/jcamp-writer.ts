import {
  affn,
  encodeOrdinates,
  encodePairs,
  JCAMP_COLUMNS,
  type OrdinateForm,
} from './jcamp-encode.js';

/** One spectrum to be written. */
export interface JcampSpectrum {
  readonly title: string;
  /** Labels as they are to stand (`DATA TYPE`, `$SAMPLE ID`) with their values, in order. */
  readonly records: readonly (readonly [label: string, value: string])[];
  readonly data: JcampTable | JcampPairs;
}

/** An even axis: point i lies at firstX + i × (lastX − firstX) / (n − 1). */
export interface JcampTable {
  readonly kind: 'table';
  readonly firstX: number;
  readonly lastX: number;
  /** What is stored; the true value is this times `yFactor`. */
  readonly stored: ArrayLike<number>;
  readonly yFactor: number;
  readonly form: OrdinateForm;
}

export interface JcampPairs {
  readonly kind: 'pairs';
  readonly x: ArrayLike<number>;
  readonly y: ArrayLike<number>;
}

/**
 * A JCAMP-DX 4.24 file of one spectrum, or of several in a LINK block. ASCII, lines of at most 80 columns, ended
 * by CR LF. Texts are made to fit: line breaks and other controls become blanks, characters beyond ASCII `?`,
 * and `$$` and `##`, which would begin a comment or a label, get a blank between.
 *
 * @throws RangeError for a spectrum without points, or with numbers that its form cannot hold
 */
export function writeJcamp(title: string, spectra: readonly JcampSpectrum[]): string {
  const [only] = spectra;
  if (spectra.length === 1 && only !== undefined) return text(blockLines(only));
  const head = [
    ...record('TITLE', title),
    ...record('JCAMP-DX', '4.24'),
    ...record('DATA TYPE', 'LINK'),
    ...record('BLOCKS', String(spectra.length)),
  ];
  return text([...head, ...spectra.flatMap(blockLines), '##END=']);
}

function text(lines: readonly string[]): string {
  return lines.map((line) => `${line}\r\n`).join('');
}

function blockLines({ title, records, data }: JcampSpectrum): string[] {
  return [
    ...record('TITLE', title),
    ...record('JCAMP-DX', '4.24'),
    ...records.flatMap(([label, value]) => record(label, value)),
    ...(data.kind === 'table' ? tableLines(data) : pairLines(data)),
    '##END=',
  ];
}

function tableLines({ firstX, lastX, stored, yFactor, form }: JcampTable): string[] {
  const points = stored.length;
  const xOf = (i: number) => printedX(firstX + (i * (lastX - firstX)) / (points - 1 || 1));
  return [
    ...axisHead(firstX, lastX, stored, yFactor),
    '##XYDATA= (X++(Y..Y))',
    ...encodeOrdinates(stored, form, xOf),
  ];
}

function pairLines({ x, y }: JcampPairs): string[] {
  return [
    ...axisHead(x[0] ?? 0, x[x.length - 1] ?? 0, y, 1),
    '##XYPOINTS= (XY..XY)',
    ...encodePairs(x, y),
  ];
}

function axisHead(
  firstX: number,
  lastX: number,
  stored: ArrayLike<number>,
  yFactor: number,
): string[] {
  const points = stored.length;
  if (points === 0) throw new RangeError('expected at least one point, found none');
  let min = stored[0] ?? 0;
  let max = min;
  for (let i = 1; i < points; i++) {
    min = Math.min(min, stored[i] ?? 0);
    max = Math.max(max, stored[i] ?? 0);
  }
  return [
    `##FIRSTX= ${affn(firstX)}`,
    `##LASTX= ${affn(lastX)}`,
    `##NPOINTS= ${points}`,
    `##FIRSTY= ${affn((stored[0] ?? 0) * yFactor)}`,
    `##MAXX= ${affn(Math.max(firstX, lastX))}`,
    `##MINX= ${affn(Math.min(firstX, lastX))}`,
    `##MAXY= ${affn(max * yFactor)}`,
    `##MINY= ${affn(min * yFactor)}`,
    '##XFACTOR= 1',
    `##YFACTOR= ${affn(yFactor)}`,
  ];
}

/** A check for readers and no more: ten digits are near enough on any axis, unless they pass the largest double. */
function printedX(x: number): string {
  const rounded = Number(x.toPrecision(10));
  return affn(Number.isFinite(rounded) ? rounded : x);
}

/** A labelled record over as many lines as it takes; readers join them by a line break. */
function record(label: string, value: string): string[] {
  const lines: string[] = [];
  let rest = `##${label}= ${plainText(value)}`;
  while (rest.length > JCAMP_COLUMNS) {
    const blank = rest.lastIndexOf(' ', JCAMP_COLUMNS);
    const end = blank > label.length + 4 ? blank : JCAMP_COLUMNS;
    lines.push(rest.slice(0, end));
    rest = rest.slice(end).trimStart();
  }
  return [...lines, rest];
}

function plainText(value: string): string {
  return value
    .replace(/[\p{Cc}\p{Zl}\p{Zp}]+/gu, ' ')
    .replace(/[^ -~]/gu, '?')
    .replace(/\$(?=\$)/g, '$ ')
    .replace(/#(?=#)/g, '# ')
    .trim();
}
