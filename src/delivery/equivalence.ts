import { compareDecimals, type Decimal, isDecimal } from '../formats/decimal.js';
import { parseTimestamp } from '../formats/instant.js';
import type { Equivalence } from '../site/mapping-document.js';

/**
 * True when a destination holds the same value as was sent, by the equivalence that the mapping declares
 * for the field: `exact` the same characters, `text` the same after trimming blanks at both ends, `decimal`
 * the same number (1.50 and 1.5), `instant` the same moment whatever the offset. A value that is not of the
 * declared kind is equal only to the same characters.
 */
export function valuesAgree(sent: string, held: string, as: Equivalence): boolean {
  if (sent === held) return true;
  switch (as) {
    case 'exact':
      return false;
    case 'text':
      return sent.trim() === held.trim();
    case 'decimal': {
      const [a, b] = [plainDecimal(sent), plainDecimal(held)];
      return a !== null && b !== null && compareDecimals(a, b) === 0;
    }
    case 'instant': {
      const [a, b] = [parseTimestamp(sent.trim()), parseTimestamp(held.trim())];
      return a !== null && b !== null && a.instant === b.instant;
    }
  }
}

/** Lists agree when they are equally long and agree place by place. */
export function listsAgree(
  sent: readonly string[],
  held: readonly string[],
  as: Equivalence,
): boolean {
  return (
    sent.length === held.length &&
    sent.every((value, index) => valuesAgree(value, held[index] ?? '', as))
  );
}

const NUMBER = /^([+-]?)(\d{1,40})(?:\.(\d{0,40}))?(?:[eE]([+-]?\d{1,2}))?$/;

/** Plain notation of a number that may carry a sign, leading zeros or an exponent, as other systems write. */
function plainDecimal(text: string): Decimal | null {
  const match = NUMBER.exec(text.trim());
  if (!match) return null;
  const [, sign = '', whole = '', fraction = '', exponent = '0'] = match;
  const digits = whole + fraction;
  const point = whole.length + Number(exponent);
  const padded = point > digits.length ? digits.padEnd(point, '0') : digits;
  const shifted = point < 0 ? '0'.repeat(-point) + padded : padded;
  const at = Math.max(point, 0);
  const head = shifted.slice(0, at).replace(/^0+(?=\d)/, '') || '0';
  const tail = shifted.slice(at).replace(/0+$/, '');
  const plain = `${sign === '-' ? '-' : ''}${head}${tail === '' ? '' : `.${tail}`}`;
  return isDecimal(plain) ? plain : null;
}
