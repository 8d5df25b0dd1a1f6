import {
  canonicalElementString,
  elementData,
  type Gs1Element,
  readElementString,
} from '../formats/gs1-element-string.js';

/**
 * Container labels and receipt texts as people and scanners write them. Normalisation is declared and
 * small: Unicode NFC, blanks at either end dropped, runs of blanks inside made one space. Case, hyphens and
 * leading zeros stay, because two drums may differ in nothing else. A container's label that is a GS1 element
 * string is the same label in every spelling of it, see `containerKey`.
 */
export const LABEL_LENGTH_MAX = 200;

/** Any Unicode white space, also the no-break space that spreadsheets like to insert. */
const BLANKS = /\s+/gu;

/** What no print shows: zero width signs, soft hyphens, selectors of a variant. */
const UNSEEN = /\p{Default_Ignorable_Code_Point}/gu;

export function normaliseLabel(text: string): string {
  return text.normalize('NFC').trim().replace(BLANKS, ' ');
}

/** What a print of the label shows. Scans go by more, see `containerKey`. */
export function printedLabel(text: string): string {
  return normaliseLabel(text.replace(UNSEEN, ''));
}

/**
 * What makes a container's label that label: two texts name the same container exactly when their keys are equal.
 * A GS1 element string goes by its elements, whatever their order, brackets, separators and symbology; any other
 * text by `normaliseLabel`.
 */
export function containerKey(text: string): string {
  const label = normaliseLabel(text);
  const reading = readElementString(label);
  return reading.kind === 'elements' ? canonicalElementString(reading.elements) : label;
}

export interface LabelClash {
  readonly normalised: string;
  /** Positions in the list, from 0, of every label that names the same container. */
  readonly positions: readonly number[];
}

/**
 * Labels that name the same container: equal keys, the same GTIN and serial number with other elements beside them, or
 * texts that differ in nothing that is printed, so that two drums would show one label. A list is usable only when
 * there are none (rule 2).
 */
export function findLabelClashes(labels: readonly string[]): LabelClash[] {
  const byText = new Map<string, number[]>();
  labels.forEach((label, position) => {
    const key = thingNamed(label);
    const held = byText.get(key);
    if (held) held.push(position);
    else byText.set(key, [position]);
  });
  return [...byText]
    .filter(([, positions]) => positions.length > 1)
    .map(([normalised, positions]) => ({ normalised, positions }));
}

/** What a label says of the world: the thing that GTIN and serial number name, or else what it shows. */
function thingNamed(label: string): string {
  const key = containerKey(label);
  if (readElementString(key).kind !== 'elements') return printedLabel(key);
  return drumNumber(key) ?? key;
}

/**
 * GTIN and serial number of a label, by which a container is one thing in the world, wherever it is listed and whatever else
 * the label says (GS1 General Specifications, application identifiers 01 and 21); null of any other label. Running numbers
 * recur from receipt to receipt and say nothing.
 */
export function drumNumber(label: string): string | null {
  const reading = readElementString(normaliseLabel(label));
  if (reading.kind !== 'elements') return null;
  const named = reading.elements.filter(({ ai }) => ai === '01' || ai === '21');
  return named.length === 2 ? canonicalElementString(named) : null;
}

/**
 * Says why a label cannot stand for one container, or null when it may: an SSCC names a pallet, a GTIN with
 * a batch and no serial names every drum of the batch (GS1 General Specifications, application identifiers
 * 00, 01, 10, 21).
 */
export function notOneContainer(label: string): string | null {
  const reading = readElementString(normaliseLabel(label));
  if (reading.kind !== 'elements') return null;
  const { elements } = reading;
  if (has(elements, '00')) return 'is an SSCC, which names a pallet';
  if (has(elements, '01')) {
    return has(elements, '21')
      ? null
      : 'is a GTIN without a serial number, which names every container of the batch';
  }
  // 90 to 99 are for what a company agrees with itself: its own numbers.
  return elements.some(({ ai }) => /^9\d$/u.test(ai))
    ? null
    : 'is a GS1 element string without GTIN and serial number, which names no single container';
}

function has(elements: readonly Gs1Element[], ai: string): boolean {
  return elementData(elements, ai) !== null;
}

/** What is wrong with a label that is a GS1 element string, with the place; null when nothing is. */
export function gs1LabelFault(label: string): string | null {
  const reading = readElementString(normaliseLabel(label));
  if (reading.kind !== 'fault') return null;
  return `character ${reading.fault.at}: ${reading.fault.message}`;
}
