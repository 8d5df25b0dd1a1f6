import { CompiledQuery, sql } from 'kysely';
import type { Trx } from './database.js';
import { dialectOf } from './dialect.js';
import { preparedInsert } from './prepared.js';
import type { Tables } from './tables.js';

/** Rows in one statement; what is left over goes in statements of half the size, so that few texts are kept. */
const ROWS_MAX = 64;

/**
 * Inserts rows of one shape in as few statements as it takes: each is a round trip where the database is a
 * server. On a file there is none to save, and single rows run from one kept statement.
 *
 * @param unlessSame columns by which a row that is there already is kept, see `preparedInsert`
 * @returns a function that inserts them in the order given and says how many were written
 */
export function preparedInsertRows<Name extends keyof Tables & string>(
  table: Name,
  unlessSame: readonly (keyof Tables[Name] & string)[] = [],
): (trx: Trx, rows: readonly Tables[Name][]) => Promise<number> {
  const insertOne = preparedInsert(table, unlessSame);
  const keep =
    unlessSame.length === 0
      ? sql``
      : sql` on conflict (${sql.join(unlessSame.map((column) => sql.ref(column)))}) do nothing`;
  const texts = new Map<string, string>();

  const textOf = (trx: Trx, columns: readonly string[], count: number): string => {
    const shape = `${count} ${columns.join(' ')}`;
    const known = texts.get(shape);
    if (known !== undefined) return known;
    const names = sql.join(columns.map((column) => sql.ref(column)));
    const slots = sql`(${sql.join(columns.map(() => null))})`;
    const values = sql.join(Array.from({ length: count }, () => slots));
    const insert = sql`insert into ${sql.table(table)} (${names}) values ${values}${keep}`;
    const { sql: text } = insert.compile(trx);
    texts.set(shape, text);
    return text;
  };

  return async (trx, rows) => {
    let written = 0;
    if (!dialectOf(trx).isShared) {
      for (const row of rows) if (await insertOne(trx, row)) written += 1;
      return written;
    }
    for (const some of portions(rows)) {
      const columns = Object.keys(some[0] ?? {});
      const values = some.flatMap((row) =>
        columns.map((column) => Reflect.get(row, column) as unknown),
      );
      const insert = CompiledQuery.raw(textOf(trx, columns, some.length), values);
      written += Number((await trx.executeQuery(insert)).numAffectedRows ?? 0n);
    }
    return written;
  };
}

/** Of 64, 32, 16 … 1. */
function portions<Row>(rows: readonly Row[]): Row[][] {
  const out: Row[][] = [];
  let size = ROWS_MAX;
  for (let i = 0; i < rows.length; i += size) {
    while (size > rows.length - i) size /= 2;
    out.push(rows.slice(i, i + size));
  }
  return out;
}
