import { appendFileSync, existsSync, readFileSync } from 'node:fs';
import { type BookEvent, type Books, emptyBooks, fold } from './books.js';

/** The books of a stand-in and the one way to change them; kept in a file when it has one. */
export interface Ledger {
  readonly books: Books;
  record(event: BookEvent): void;
}

/**
 * Opens the ledger kept at `path` (JSON lines, one event each), or one in memory for null. A last line that
 * a crash cut short is dropped: its event was never answered for.
 */
export function openLedger(path: string | null): Ledger {
  const books = emptyBooks();
  if (path !== null && existsSync(path)) {
    for (const event of readEvents(path)) fold(books, event);
  }
  return {
    books,
    record(event) {
      if (path !== null) appendFileSync(path, `${JSON.stringify(event)}\n`);
      fold(books, event);
    },
  };
}

function readEvents(path: string): BookEvent[] {
  const lines = readFileSync(path, 'utf8').split('\n');
  const complete = lines.slice(0, -1).filter((line) => line !== '');
  return complete.map((line) => JSON.parse(line) as BookEvent);
}
