import type { AnimlFinding } from './animl-finding.js';
import { type AnimlNode, childrenOf } from './animl-nodes.js';

/** Bytes of one value in an EncodedValueSet, by seriesType; other types cannot be encoded. */
const ENCODED_BYTES: ReadonlyMap<string, number> = new Map([
  ['Int32', 4],
  ['Int64', 8],
  ['Float32', 4],
  ['Float64', 8],
]);

const SET_KINDS = ['IndividualValueSet', 'EncodedValueSet', 'AutoIncrementedValueSet'];

interface Span {
  readonly path: string;
  readonly from: number;
  readonly count: number;
}

/**
 * Every series of a set yields exactly `length` values after joining its value sets, and no two sets
 * cover one index. `startIndex` and `endIndex` are 0-based and inclusive (house rule: the schema names
 * them only); a set without a start follows the one before it.
 */
export function seriesFaults(seriesSet: AnimlNode): readonly AnimlFinding[] {
  const length = Number(seriesSet.attributes.get('length') ?? Number.NaN);
  return childrenOf(seriesSet, 'Series').flatMap((series) => faultsOf(series, length));
}

/** Base64 text without the blanks and line ends that the schema allows inside it. */
export function packedBase64(text: string): string {
  return text.replace(/[ \t\r\n]+/g, '');
}

function faultsOf(series: AnimlNode, length: number): AnimlFinding[] {
  const findings: AnimlFinding[] = [];
  const spans: Span[] = [];
  let next = 0;
  for (const set of series.children.filter((child) => SET_KINDS.includes(child.name))) {
    const span = spanOf(series, set, next, length);
    if (typeof span === 'string') findings.push(fault(set.path, span));
    else {
      spans.push(span);
      next = span.from + span.count;
    }
  }
  if (findings.length > 0) return findings;
  return joined(series, spans, length);
}

function joined(series: AnimlNode, spans: readonly Span[], length: number): AnimlFinding[] {
  const ordered = [...spans].sort((a, b) => a.from - b.from);
  let next = 0;
  for (const span of ordered) {
    if (span.from < next) return [fault(span.path, `index ${span.from} is covered twice`)];
    if (span.from > next) {
      return [fault(span.path, `expected a value at index ${next}, the next is at ${span.from}`)];
    }
    next = span.from + span.count;
  }
  if (!Number.isInteger(length)) return [fault(series.path, 'its set declares no length')];
  return next === length
    ? []
    : [fault(series.path, `expected ${length} values as the set declares, found ${next}`)];
}

function spanOf(series: AnimlNode, set: AnimlNode, next: number, length: number): Span | string {
  const from = indexOf(set, 'startIndex') ?? next;
  const end = indexOf(set, 'endIndex');
  const declared = end === null ? null : end - from + 1;
  if (set.name === 'AutoIncrementedValueSet') {
    return { path: set.path, from, count: Math.max(0, declared ?? length - from) };
  }
  const count = set.name === 'EncodedValueSet' ? encodedCount(series, set) : set.children.length;
  if (typeof count === 'string') return count;
  if (declared !== null && declared !== count) {
    return `expected ${declared} values from index ${from} to ${end}, found ${count}`;
  }
  return { path: set.path, from, count };
}

function encodedCount(series: AnimlNode, set: AnimlNode): number | string {
  const type = series.attributes.get('seriesType') ?? '';
  const size = ENCODED_BYTES.get(type);
  if (size === undefined) return `values of type ${type} cannot be encoded`;
  const base64 = packedBase64(set.text);
  const bytes = Buffer.from(base64, 'base64');
  if (bytes.toString('base64') !== base64) return 'expected base64 with padding';
  return bytes.byteLength % size === 0
    ? bytes.byteLength / size
    : `expected a multiple of ${size} bytes for ${type}, found ${bytes.byteLength}`;
}

function indexOf(set: AnimlNode, attribute: string): number | null {
  const text = set.attributes.get(attribute);
  return text === undefined ? null : Number(text);
}

function fault(path: string, message: string): AnimlFinding {
  return { rule: 'series-length', path, message };
}
