import { type Instant, parseTimestamp } from '../formats/instant.js';

/** An object's fields, or none when the value is no object. */
export type Fields = Readonly<Record<string, unknown>>;

const TEXT_MAX = 500;
const NONE: Fields = Object.freeze(Object.create(null) as Record<string, unknown>);

export function fieldsOf(value: unknown): Fields {
  return typeof value === 'object' && value !== null && !Array.isArray(value)
    ? (value as Fields)
    : NONE;
}

/** A text that is not empty and not longer than any label, else null. */
export function textOf(value: unknown): string | null {
  return typeof value === 'string' && value !== '' && value.length <= TEXT_MAX ? value : null;
}

export function wholeNumberOf(value: unknown): number | null {
  return typeof value === 'number' && Number.isSafeInteger(value) && value >= 0 ? value : null;
}

export function oneOf<T extends string>(value: unknown, known: readonly T[]): T | null {
  return known.find((word) => word === value) ?? null;
}

export function instantOf(value: unknown): Instant | null {
  const text = textOf(value);
  return text === null ? null : (parseTimestamp(text)?.instant ?? null);
}
