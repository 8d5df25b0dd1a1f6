import type { Trx } from './database.js';
import { type Prepared, prepared } from './prepared.js';
import type { Tables } from './tables.js';

/** Rows that one statement writes at most; each number up to it is a statement of its own. */
export const ROWS_MAX = 16;

/**
 * A statement over several rows, prepared once for each number of them: one round trip and one plan for what a
 * claim or a round of answers writes.
 *
 * @param columns of each row, in the order the statement names them
 * @param build is called once a number of rows, with stand-ins for their values (see `prepared`)
 */
export function preparedMany<Row extends object, Out, Rest extends object = object>(
  columns: readonly (keyof Row & string)[],
  build: (
    db: Parameters<Parameters<typeof prepared>[0]>[0],
    rows: readonly Row[],
    rest: Rest,
  ) => ReturnType<Parameters<typeof prepared<Rest, Out>>[0]>,
): (trx: Trx, rows: readonly Row[], rest: Rest) => Promise<Prepared<Out>> {
  const statements = new Map<number, ReturnType<typeof prepared<Rest, Out>>>();
  const statementOf = (count: number) =>
    prepared<Rest, Out>((db, values) => {
      const rows = Array.from({ length: count }, (_, index) =>
        Object.fromEntries(
          columns.map((column) => [column, Reflect.get(values, nameOf(column, index)) as unknown]),
        ),
      );
      return build(db, rows as Row[], values);
    });
  return async (trx, rows, rest) => {
    const found: Out[] = [];
    let written = 0;
    for (let from = 0; from < rows.length; from += ROWS_MAX) {
      const some = rows.slice(from, from + ROWS_MAX);
      const statement = statements.get(some.length) ?? statementOf(some.length);
      statements.set(some.length, statement);
      const answer = await statement(trx, { ...rest, ...flat(columns, some) });
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

function flat<Row extends object>(
  columns: readonly (keyof Row & string)[],
  rows: readonly Row[],
): Record<string, unknown> {
  const values: Record<string, unknown> = {};
  for (const [index, row] of rows.entries()) {
    for (const column of columns) values[nameOf(column, index)] = row[column];
  }
  return values;
}

function nameOf(column: string, index: number): string {
  return `${column} ${index}`;
}
