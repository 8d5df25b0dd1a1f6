import type { MappingDocument, Path } from '../site/mapping-document.js';
import { leafTexts, type PayloadTree } from './payload-tree.js';

/** How a destination could read a payload: as no permission, as one, or as something too near to one. */
export type PermitReading = 'none' | 'exact' | 'confusable';

type Permits = MappingDocument['permits'];

/** True when the payload shows a value that lets the destination release, or one too near to it. */
export function payloadPermits(tree: PayloadTree, permits: Permits): boolean {
  return readPermits(tree, permits) !== 'none';
}

/** Exact only when every value at every permitting place is one of the values declared. */
export function readPermits(tree: PayloadTree, permits: Permits): PermitReading {
  let reading: PermitReading = 'none';
  for (const { at, values } of permits) {
    for (const text of textsAt(tree, at)) {
      if (values.includes(text)) {
        if (reading === 'none') reading = 'exact';
      } else if (values.some((value) => areConfusable(text, value))) {
        reading = 'confusable';
      }
    }
  }
  return reading;
}

const OWN_TEXT = '/#text';

/** A place without the name of an element's own text: in XML that and the element with nothing else are one. */
export function withoutOwnText(at: Path): Path {
  return at.endsWith(OWN_TEXT) ? at.slice(0, -OWN_TEXT.length) : at;
}

/** A place is read in both spellings. */
function textsAt(tree: PayloadTree, at: Path): string[] {
  const element = withoutOwnText(at);
  const other = element === at ? `${at}${OWN_TEXT}` : element;
  return [...leafTexts(tree, at), ...(other === '' ? [] : leafTexts(tree, other))];
}

/**
 * True when a reader that trims, folds case or width, ignores blanks or looks for a part of a text could
 * take one for the other. An empty text is a part of everything.
 */
export function areConfusable(a: string, b: string): boolean {
  const left = folded(a);
  const right = folded(b);
  return left.includes(right) || right.includes(left);
}

/** True when a reader that trims, folds case or width or ignores blanks takes one for the other. */
export function isSameWord(a: string, b: string): boolean {
  return folded(a) === folded(b);
}

function folded(text: string): string {
  return text.normalize('NFKC').replace(/\s+/gu, '').toUpperCase().toLowerCase();
}
