/**
 * Container labels and receipt texts as people and scanners write them. Normalisation is declared and
 * small: Unicode NFC, blanks at either end dropped, runs of blanks inside made one space. Case, hyphens and
 * leading zeros stay, because two drums may differ in nothing else.
 */
export const LABEL_LENGTH_MAX = 200;

const NEAR_MISSES_MAX = 5;
const EDITS_MAX = 2;

/** Any Unicode white space, also the no-break space that spreadsheets like to insert. */
const BLANKS = /\s+/gu;

export function normaliseLabel(text: string): string {
  return text.normalize('NFC').trim().replace(BLANKS, ' ');
}

export interface LabelClash {
  readonly normalised: string;
  /** Positions in the list, from 0, of every label that normalises to the same text. */
  readonly positions: readonly number[];
}

/** Labels that normalisation cannot tell apart; a list is usable only when there are none (rule 2). */
export function findLabelClashes(labels: readonly string[]): LabelClash[] {
  const byText = new Map<string, number[]>();
  labels.forEach((label, position) => {
    const key = normaliseLabel(label);
    const held = byText.get(key);
    if (held) held.push(position);
    else byText.set(key, [position]);
  });
  return [...byText]
    .filter(([, positions]) => positions.length > 1)
    .map(([normalised, positions]) => ({ normalised, positions }));
}

/**
 * Known labels that a scan may have meant, closest first, at most five. Only ever shown to a person: a near
 * miss is never taken for the label itself.
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

/** Upper case with the signs that are mistaken for each other on a printed label made one. */
function folded(text: string): string {
  return normaliseLabel(text)
    .slice(0, LABEL_LENGTH_MAX)
    .toUpperCase()
    .replace(/[\s\-_./]/gu, '')
    .replace(/O/gu, '0')
    .replace(/[IL]/gu, '1');
}

/** Levenshtein distance, two rows. */
function editDistance(a: string, b: string): number {
  let previous = Array.from({ length: b.length + 1 }, (_, i) => i);
  for (let i = 1; i <= a.length; i++) {
    const row = [i];
    for (let j = 1; j <= b.length; j++) {
      const replace = (previous[j - 1] ?? 0) + (a[i - 1] === b[j - 1] ? 0 : 1);
      row.push(Math.min(replace, (previous[j] ?? 0) + 1, (row[j - 1] ?? 0) + 1));
    }
    previous = row;
  }
  return previous[b.length] ?? 0;
}

/**
 * Says why a label cannot stand for one container, or null when it may: an SSCC names a pallet, a GTIN with
 * a batch and no serial names every drum of the batch (GS1 General Specifications, application identifiers
 * 00, 01, 10, 21; from memory).
 */
export function notOneContainer(label: string): string | null {
  const text = normaliseLabel(label).replace(/ /gu, '');
  const sscc = /^(?:\(00\)|00)(\d{18})$/u.exec(text)?.[1];
  if (sscc !== undefined && hasGs1CheckDigit(sscc)) return 'is an SSCC, which names a pallet';
  if (/^\(01\)\d{14}/u.test(text) && !text.includes('(21)')) {
    return 'is a GTIN without a serial number, which names every container of the batch';
  }
  return null;
}

function hasGs1CheckDigit(digits: string): boolean {
  let sum = 0;
  for (let i = 0; i < digits.length - 1; i++) {
    const weight = (digits.length - 1 - i) % 2 === 1 ? 3 : 1;
    sum += Number(digits[i]) * weight;
  }
  return (10 - (sum % 10)) % 10 === Number(digits.at(-1));
}
