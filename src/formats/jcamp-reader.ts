import {
  JCAMP_LIMITS,
  type JcampBlock,
  type JcampData,
  type JcampFault,
  type JcampLimits,
  type JcampRead,
  type JcampRecord,
  JcampRefusal,
  jcampNumber,
  jcampValue,
  refuseJcamp,
} from './jcamp.js';
import { type DataLine, decodeOrdinates, decodePairs, type Ordinates } from './jcamp-ordinates.js';

/**
 * Reads a JCAMP-DX file into its blocks. Refused with line and reason: bytes past the limit or beyond Latin-1
 * text, anything before the first TITLE or behind the last END, an END that is missing, a label without `=`, a label of the
 * numbers that stands twice and says two things, ordinates that are no ASDF, a DIF check that fails, a count that is not
 * NPOINTS, points past NPOINTS before they are decoded.
 * What disagrees without changing a value (FIRSTY, MAXY, the x of a line) is listed as a deviation.
 */
export function readJcamp(bytes: Uint8Array, limits: JcampLimits = JCAMP_LIMITS): JcampRead {
  try {
    if (bytes.length > limits.bytesMax) {
      throw refuseJcamp(1, `expected at most ${limits.bytesMax} bytes, found ${bytes.length}`);
    }
    return { ok: true, block: new JcampReader(bytes, limits).document() };
  } catch (error) {
    if (error instanceof JcampRefusal) return { ok: false, fault: error.fault };
    throw error;
  }
}

/** A label with all the lines up to the next one. */
interface RawRecord extends JcampRecord {
  readonly lines: readonly DataLine[];
}

const LABEL = /^\s*##([^=]*)=(.*)$/s;
const TABLE = /^\(X\+\+\(Y\.\.Y\)\)$/i;
const PAIRS = /^\(XY\.\.XY\)$/i;
const DATA_LABELS = new Set(['XYDATA', 'XYPOINTS', 'PEAKTABLE']);
/** Labels that say how the numbers of a block are to be understood. */
const HEADS = new Set([
  ...['DATATYPE', 'XUNITS', 'YUNITS', 'NPOINTS', 'FIRSTX', 'LASTX', 'DELTAX', 'XFACTOR', 'YFACTOR'],
  ...['FIRSTY', 'MAXX', 'MINX', 'MAXY', 'MINY'],
]);

class JcampReader {
  readonly #records: readonly RawRecord[];
  #at = 0;
  #blocks = 0;
  #pointsLeft: number;

  constructor(
    bytes: Uint8Array,
    private readonly limits: JcampLimits,
  ) {
    this.#records = rawRecords(textOf(bytes), limits);
    this.#pointsLeft = limits.pointsInAllMax;
  }

  document(): JcampBlock {
    const block = this.#block(0);
    const behind = this.#records[this.#at];
    if (behind === undefined) return block;
    throw refuseJcamp(behind.line, `expected nothing behind ##END=, found ##${behind.label}=`);
  }

  #block(depth: number): JcampBlock {
    const head = this.#records[this.#at];
    if (head?.label !== 'TITLE') {
      const found = head === undefined ? 'nothing' : `##${head.label}=`;
      throw refuseJcamp(head?.line ?? 1, `expected ##TITLE= first, found ${found}`);
    }
    this.#blocks += 1;
    if (depth > this.limits.depthMax || this.#blocks > this.limits.blocksMax) {
      throw refuseJcamp(head.line, 'found more blocks inside blocks than are read');
    }
    this.#at += 1;
    const records: JcampRecord[] = [];
    const blocks: JcampBlock[] = [];
    let data: RawRecord | null = null;
    while (true) {
      const next = this.#records[this.#at];
      if (next === undefined)
        throw refuseJcamp(head.line, 'expected ##END= for this block, found none');
      if (next.label === 'TITLE') {
        blocks.push(this.#block(depth + 1));
        continue;
      }
      this.#at += 1;
      if (next.label === 'END') break;
      if (!DATA_LABELS.has(next.label)) {
        records.push({ label: next.label, value: next.value, line: next.line });
      } else if (data !== null) {
        throw refuseJcamp(
          next.line,
          `expected one data record a block, found ##${data.label}= before`,
        );
      } else data = next;
    }
    const deviations: JcampFault[] = [];
    const block = { title: head.value, line: head.line, records, blocks, deviations };
    if (data === null) return { ...block, data: null };
    const pointsMax = Math.min(this.limits.pointsMax, this.#pointsLeft);
    const read = readData(data, block, deviations, pointsMax);
    this.#pointsLeft -= read.y.length;
    return { ...block, data: read };
  }
}

/** UTF-8 where it is, else Latin-1: old writers put a degree sign into a header as one byte. */
function textOf(bytes: Uint8Array): string {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    // Every byte is a character of Latin-1.
    return new TextDecoder('latin1').decode(bytes);
  }
}

function rawRecords(text: string, limits: JcampLimits): readonly RawRecord[] {
  const records: { label: string; line: number; lines: DataLine[] }[] = [];
  for (const [index, raw] of linesOf(text)) {
    const line = index + 1;
    const written = withoutComment(raw);
    const found = LABEL.exec(written);
    if (found !== null) {
      if (records.length >= limits.recordsMax) {
        throw refuseJcamp(line, `expected at most ${limits.recordsMax} records, found more`);
      }
      const label = (found[1] ?? '').toUpperCase().replace(/[\s\-/_]/g, '');
      records.push({ label, line, lines: [{ text: found[2] ?? '', line }] });
      continue;
    }
    if (/^\s*##/.test(written)) {
      const shown = JSON.stringify(written.trim().slice(0, 40));
      throw refuseJcamp(line, `expected a label and =, found ${shown}`);
    }
    const last = records.at(-1);
    if (last !== undefined && last.label !== 'END') last.lines.push({ text: written, line });
    else if (written.trim() !== '') {
      const expected = last === undefined ? '##TITLE= first' : 'nothing but comments behind ##END=';
      throw refuseJcamp(
        line,
        `expected ${expected}, found ${JSON.stringify(written.trim().slice(0, 40))}`,
      );
    }
  }
  if (records.length === 0)
    throw refuseJcamp(1, 'expected ##TITLE= first, found no labelled record');
  return records.map((record) => ({ ...record, value: joined(record.lines) }));
}

/** Old systems end a text with a SUB character. */
function linesOf(text: string): Iterable<[number, string]> {
  const end = text.endsWith('\u001a') ? text.length - 1 : text.length;
  return text
    .slice(0, end)
    .split(/\r\n|\n|\r/)
    .entries();
}

function withoutComment(line: string): string {
  const at = line.indexOf('$$');
  return at === -1 ? line : line.slice(0, at);
}

function joined(lines: readonly DataLine[]): string {
  return lines
    .map(({ text }) => text.trim())
    .join('\n')
    .trim();
}

type Heads = Pick<JcampBlock, 'records' | 'line'>;

function readData(
  record: RawRecord,
  block: Heads,
  deviations: JcampFault[],
  mostPoints: number,
): JcampData {
  refuseContradictions(block);
  const [head, ...lines] = record.lines;
  const form = (head?.text ?? '').replace(/\s/g, '');
  const declared = countOf(block);
  if (declared !== null && declared > mostPoints) {
    throw refuseJcamp(
      block.line,
      `expected at most ${mostPoints} points, NPOINTS says ${declared}`,
    );
  }
  const pointsMax = declared ?? mostPoints;
  const base = { label: record.label, line: record.line };
  if (TABLE.test(form)) {
    const ordinates = decodeOrdinates(lines, pointsMax);
    refuseCount(ordinates.values.length, declared, record.line);
    const y = scaled(ordinates.values, factorOf(block, 'YFACTOR'));
    const x = axisOf(block, y.length, deviations);
    compareLines(ordinates, x, factorOf(block, 'XFACTOR'), deviations);
    compareOrdinates(block, y, deviations);
    return { ...base, kind: 'table', x, y };
  }
  if (!PAIRS.test(form)) {
    throw refuseJcamp(
      record.line,
      `expected (X++(Y..Y)) or (XY..XY), found ${JSON.stringify(form.slice(0, 40))}`,
    );
  }
  const pairs = decodePairs(lines, pointsMax);
  refuseCount(pairs.x.length, declared, record.line);
  const x = scaled(pairs.x, factorOf(block, 'XFACTOR'));
  const y = scaled(pairs.y, factorOf(block, 'YFACTOR'));
  compareOrdinates(block, y, deviations);
  comparePoint(block, 'FIRSTX', x[0], Math.abs((x[1] ?? 0) - (x[0] ?? 0)) / 2, deviations);
  comparePoint(
    block,
    'LASTX',
    x.at(-1),
    Math.abs((x.at(-1) ?? 0) - (x.at(-2) ?? 0)) / 2,
    deviations,
  );
  return { ...base, kind: 'pairs', x, y };
}

/** Which of two different values of a label is meant, nobody can say. */
function refuseContradictions({ records }: Heads): void {
  const first = new Map<string, JcampRecord>();
  for (const record of records) {
    const before = first.get(record.label);
    if (before === undefined) first.set(record.label, record);
    else if (HEADS.has(record.label) && before.value !== record.value) {
      const [one, other] = [before, record].map(({ value }) => JSON.stringify(value.slice(0, 40)));
      throw refuseJcamp(
        record.line,
        `expected ##${record.label}= as on line ${before.line}, ${one}, found ${other}`,
      );
    }
  }
}

function refuseCount(found: number, declared: number | null, line: number): void {
  if (declared === null || found === declared) return;
  throw refuseJcamp(line, `expected ${declared} points as NPOINTS says, found ${found}`);
}

function countOf(block: Heads): number | null {
  const text = jcampValue(block, 'NPOINTS');
  if (text === null) return null;
  if (/^\d{1,9}$/.test(text)) return Number(text);
  throw refuseJcamp(
    lineOf(block, 'NPOINTS'),
    `expected NPOINTS as a whole number, found ${JSON.stringify(text)}`,
  );
}

function numberOf(block: Heads, label: string): number | null {
  const text = jcampValue(block, label);
  if (text === null || text === '') return null;
  const value = jcampNumber(text);
  if (value !== null) return value;
  throw refuseJcamp(
    lineOf(block, label),
    `expected ${label} as a number, found ${JSON.stringify(text.slice(0, 40))}`,
  );
}

function lineOf(block: Heads, label: string): number {
  return block.records.find((record) => record.label === label)?.line ?? block.line;
}

function factorOf(block: Heads, label: string): number {
  const factor = numberOf(block, label) ?? 1;
  if (factor !== 0) return factor;
  throw refuseJcamp(lineOf(block, label), `expected ${label} other than 0`);
}

function scaled(values: readonly number[], factor: number): Float64Array {
  return Float64Array.from(values, (value) => value * factor);
}

/** Point i lies at FIRSTX + i × (LASTX − FIRSTX) / (n − 1); the x printed at each line is rounded. */
function axisOf(block: Heads, points: number, deviations: JcampFault[]): Float64Array | null {
  const first = numberOf(block, 'FIRSTX');
  const last = numberOf(block, 'LASTX');
  const delta = numberOf(block, 'DELTAX');
  if (first === null) return null;
  if (last === null) {
    if (delta === null) return null;
    const message = 'expected LASTX, found DELTAX alone';
    deviations.push({ line: lineOf(block, 'DELTAX'), column: 0, message });
    return Float64Array.from({ length: points }, (_, i) => first + i * delta);
  }
  const step = points > 1 ? (last - first) / (points - 1) : 0;
  if (delta !== null && Math.abs(delta - step) > Math.abs(step) * DELTAX_TOLERANCE) {
    const message = `expected DELTAX ${step}, (LASTX − FIRSTX) / (NPOINTS − 1), found ${delta}`;
    deviations.push({ line: lineOf(block, 'DELTAX'), column: 0, message });
  }
  return Float64Array.from(
    { length: points },
    (_, i) => first + (i * (last - first)) / (points - 1 || 1),
  );
}

/** Writers round DELTAX to a few digits. */
const DELTAX_TOLERANCE = 1e-4;
const DEVIATIONS_MAX = 20;

/** The x of every line is a check on the axis, within half a step. */
function compareLines(
  { lines }: Ordinates,
  axis: Float64Array | null,
  factor: number,
  deviations: JcampFault[],
): void {
  if (axis === null) return;
  const half = Math.abs((axis[1] ?? 0) - (axis[0] ?? 0)) / 2;
  for (const { x, point, line } of lines) {
    const expected = axis[point] ?? axis.at(-1) ?? 0;
    if (Math.abs(x * factor - expected) <= half + Math.abs(expected) * PRINTED) continue;
    if (deviations.length >= DEVIATIONS_MAX) return;
    deviations.push({ line, column: 1, message: `expected x ${expected}, found ${x * factor}` });
  }
}

function compareOrdinates(block: Heads, y: Float64Array, deviations: JcampFault[]): void {
  const factor = Math.abs(factorOf(block, 'YFACTOR'));
  let min = Number.POSITIVE_INFINITY;
  let max = Number.NEGATIVE_INFINITY;
  for (const value of y) {
    if (value < min) min = value;
    if (value > max) max = value;
  }
  if (y.length === 0) return;
  comparePoint(block, 'FIRSTY', y[0], factor / 2, deviations);
  comparePoint(block, 'MAXY', max, factor, deviations);
  comparePoint(block, 'MINY', min, factor, deviations);
}

/** A tolerance of its own for the last digit that a writer printed. */
const PRINTED = 1e-6;

function comparePoint(
  block: Heads,
  label: string,
  value: number | undefined,
  tolerance: number,
  deviations: JcampFault[],
): void {
  const declared = numberOf(block, label);
  if (declared === null || value === undefined) return;
  if (Math.abs(declared - value) <= tolerance + Math.abs(value) * PRINTED) return;
  const message = `expected ${label} ${value}, found ${declared}`;
  deviations.push({ line: lineOf(block, label), column: 0, message });
}
