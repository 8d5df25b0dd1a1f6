import { canonicalElementString, readElementString } from '../formats/gs1-element-string.js';
import { gs1LabelFault, LABEL_LENGTH_MAX, normaliseLabel } from './label.js';

/**
 * Labels of one list that a person could take for one another: different labels that read the same once case, hyphens
 * and signs such as O and 0 are not told apart. At most five groups.
 */
export function lookAlikes(labels: readonly string[]): string[][] {
  const groups = new Map<string, string[]>();
  for (const label of labels) {
    const key = folded(label);
    const held = groups.get(key);
    if (held) held.push(label);
    else groups.set(key, [label]);
  }
  return [...groups.values()].filter((g) => g.length > 1).slice(0, NEAR_MISSES_MAX);
}

const NEAR_MISSES_MAX = 5;
const EDITS_MAX = 2;

/**
 * Known labels that a scan may have meant, closest first, at most five. Only ever shown to a person: a near
 * miss is never taken for the label itself. Two neighbours that changed places count as one edit.
 */
export function nearMisses(scanned: string, known: Iterable<string>): string[] {
  const wanted = folded(scanned);
  if (wanted === '') return [];
  const found: { label: string; edits: number }[] = [];
  for (const label of known) {
    const candidate = folded(label);
    if (Math.abs(candidate.length - wanted.length) > EDITS_MAX) continue;
    const edits = editDistance(wanted, candidate);
    if (edits <= Math.min(EDITS_MAX, Math.floor(wanted.length / 2))) found.push({ label, edits });
  }
  return found
    .sort((a, b) => a.edits - b.edits || (a.label < b.label ? -1 : a.label > b.label ? 1 : 0))
    .slice(0, NEAR_MISSES_MAX)
    .map((f) => f.label);
}

/**
 * What a person is told of a scanned label that is none of a receipt's: what is wrong with it by itself, and which
 * labels it is near to. '' when there is nothing to say.
 */
export function labelHint(scanned: string, known: Iterable<string>): string {
  const fault = gs1LabelFault(scanned);
  const near = nearMisses(scanned, known);
  return [
    ...(fault === null ? [] : [fault]),
    ...(near.length > 0 ? [`near: ${near.join(', ')}`] : []),
  ].join('; ');
}

/**
 * Upper case with the signs that are mistaken for each other on a printed label made one. Of an element string the
 * elements in order, also when a check digit is wrong.
 */
function folded(text: string): string {
  const label = normaliseLabel(text).slice(0, LABEL_LENGTH_MAX);
  const reading = readElementString(label);
  const spelt =
    reading.kind === 'not-gs1' || reading.elements.length === 0
      ? label
      : canonicalElementString(reading.elements);
  return spelt
    .toUpperCase()
    .replace(/[\s\p{Cc}\-_./()]/gu, '')
    .replace(/O/gu, '0')
    .replace(/[IL]/gu, '1');
}

/** Edits, deletions, insertions and swaps of neighbours between two texts; three rows. */
function editDistance(a: string, b: string): number {
  let before: number[] = [];
  let previous = Array.from({ length: b.length + 1 }, (_, i) => i);
  for (let i = 1; i <= a.length; i++) {
    const row = [i];
    for (let j = 1; j <= b.length; j++) {
      const replace = (previous[j - 1] ?? 0) + (a[i - 1] === b[j - 1] ? 0 : 1);
      let edits = Math.min(replace, (previous[j] ?? 0) + 1, (row[j - 1] ?? 0) + 1);
      if (i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1]) {
        edits = Math.min(edits, (before[j - 2] ?? 0) + 1);
      }
      row.push(edits);
    }
    before = previous;
    previous = row;
  }
  return previous[b.length] ?? 0;
}
