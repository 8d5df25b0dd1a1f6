import type { Compilable } from 'kysely';
import type { Reader, Trx } from './handles.js';
import { type Prepared, withSlots } from './prepared.js';
import { type ManyRows, REST, RowSlot } from './slots.js';
import type { Tables } from './tables.js';

/** Rows that one statement writes at most; each number up to it is a statement of its own. */
export const ROWS_MAX = 16;

/**
 * A statement over several rows, prepared once for each number of them: one round trip and one plan for what a
 * claim or a round of answers writes.
 *
 * @param columns of each row that the statement names
 * @param build is called once a number of rows, with stand-ins for their values (see `prepared`)
 */
export function preparedMany<Row extends object, Out, Rest extends object = object>(
  columns: readonly (keyof Row & string)[],
  build: (db: Reader, rows: readonly Row[], rest: Rest) => Compilable<Out>,
): (trx: Trx, rows: readonly Row[], rest: Rest) => Promise<Prepared<Out>> {
  const statements = new Map<number, ReturnType<typeof withSlots<Out>>>();
  const statementOf = (count: number) => {
    const rows = Array.from({ length: count }, (_, index) =>
      Object.fromEntries(columns.map((column) => [column, new RowSlot(index, column)])),
    );
    return withSlots((db) => build(db, rows as unknown as Row[], REST as Rest));
  };
  return async (trx, rows, rest) => {
    const found: Out[] = [];
    let written = 0;
    for (let from = 0; from < rows.length; from += ROWS_MAX) {
      const some = rows.slice(from, from + ROWS_MAX);
      const statement = statements.get(some.length) ?? statementOf(some.length);
      statements.set(some.length, statement);
      const answer = await statement(trx, { rows: some, rest } satisfies ManyRows);
      found.push(...answer.rows);
      written += answer.written;
    }
    return { rows: found, written };
  };
}

/** Inserts several rows at once. */
export function preparedInsertMany<Name extends keyof Tables & string>(
  table: Name,
  columns: readonly (keyof Tables[Name] & string)[],
): (trx: Trx, rows: readonly Tables[Name][]) => Promise<void> {
  const insert = preparedMany<Tables[Name] & object, never>(columns, (db, rows) =>
    db.insertInto(table).values(rows as never),
  );
  return async (trx, rows) => {
    await insert(trx, rows as readonly (Tables[Name] & object)[], {});
  };
}
