/**
 * Decimal numbers as they were reported. `1.50` and `1.5` are one number and two reports, so a decimal
 * travels as text; comparing and rounding work on the digits, never on a binary double (the double
 * nearest to 101.55 lies below it and rounds the wrong way).
 */
export type Decimal = string & { readonly __brand: 'Decimal' };

const DECIMAL = /^-?(?:0|[1-9]\d*)(?:\.\d+)?$/;

/** At most 40 digits: far beyond any instrument, small enough that arithmetic stays cheap. */
const DIGITS_MAX = 40;

export type RoundingRule = 'half-up' | 'half-even';

/** True for plain decimal notation without exponent, leading zeros or sign `+`, up to 40 digits. */
export function isDecimal(text: string): text is Decimal {
  return text.length <= DIGITS_MAX + 2 && DECIMAL.test(text);
}

/** Negative, zero or positive as `a` is below, equal to or above `b`, by value: 1.50 equals 1.5. */
export function compareDecimals(a: Decimal, b: Decimal): number {
  const places = Math.max(placesOf(a), placesOf(b));
  const left = scaled(a, places);
  const right = scaled(b, places);
  return left < right ? -1 : left > right ? 1 : 0;
}

/** Exact sum, with as many places as the longer of the two. */
export function addDecimals(a: Decimal, b: Decimal): Decimal {
  const places = Math.max(placesOf(a), placesOf(b));
  return unscaled(scaled(a, places) + scaled(b, places), places);
}

/** Exact distance between two numbers, with as many places as the longer of the two. */
export function distanceOfDecimals(a: Decimal, b: Decimal): Decimal {
  const places = Math.max(placesOf(a), placesOf(b));
  const difference = scaled(a, places) - scaled(b, places);
  return unscaled(difference < 0n ? -difference : difference, places);
}

/** Exact product with a whole number. */
export function multiplyDecimal(value: Decimal, factor: number): Decimal {
  const places = placesOf(value);
  return unscaled(scaled(value, places) * BigInt(factor), places);
}

/**
 * Rounds once to `places` decimal places. half-up moves an exact tie away from zero (USP General Notices
 * 7.20), half-even to the even digit (ASTM E29 rounding method, ISO 80000-1 Annex B rule A).
 */
export function roundDecimal(value: Decimal, places: number, rule: RoundingRule): Decimal {
  const from = placesOf(value);
  if (from <= places) return unscaled(scaled(value, places), places);
  const digits = scaled(value, from);
  const divisor = 10n ** BigInt(from - places);
  const negative = digits < 0n;
  const magnitude = negative ? -digits : digits;
  const quotient = magnitude / divisor;
  const twice = (magnitude % divisor) * 2n;
  const up = twice > divisor || (twice === divisor && (rule === 'half-up' || quotient % 2n === 1n));
  const rounded = quotient + (up ? 1n : 0n);
  return unscaled(negative ? -rounded : rounded, places);
}

function placesOf(value: Decimal): number {
  const point = value.indexOf('.');
  return point === -1 ? 0 : value.length - point - 1;
}

function scaled(value: Decimal, places: number): bigint {
  const point = value.indexOf('.');
  const whole = point === -1 ? value : value.slice(0, point);
  const fraction = point === -1 ? '' : value.slice(point + 1);
  return BigInt(`${whole}${fraction.padEnd(places, '0')}`);
}

function unscaled(digits: bigint, places: number): Decimal {
  const negative = digits < 0n;
  const text = (negative ? -digits : digits).toString().padStart(places + 1, '0');
  const body = places === 0 ? text : `${text.slice(0, -places)}.${text.slice(-places)}`;
  return `${negative ? '-' : ''}${body}` as Decimal;
}
