import type { Instant } from '../formats/instant.js';

/** Where a page of a list begins: behind this row. Opaque to whoever asks. */
export interface PageCursor {
  readonly openedAt: Instant;
  readonly id: string;
}

export const PAGE_MAX = 200;

export function writeCursor({ openedAt, id }: PageCursor): string {
  return Buffer.from(JSON.stringify([openedAt, id]), 'utf8').toString('base64url');
}

const CURSOR_LENGTH_MAX = 400;

/** null for a text that `writeCursor` did not write. */
export function readCursor(text: string): PageCursor | null {
  if (text.length > CURSOR_LENGTH_MAX) return null;
  try {
    const value: unknown = JSON.parse(Buffer.from(text, 'base64url').toString('utf8'));
    if (!Array.isArray(value) || value.length !== 2) return null;
    const [openedAt, id] = value as unknown[];
    return Number.isSafeInteger(openedAt) && typeof id === 'string'
      ? { openedAt: openedAt as Instant, id }
      : null;
  } catch {
    // Not what we gave out.
    return null;
  }
}
