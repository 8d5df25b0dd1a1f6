import { type Compilable, type CompiledQuery, type RawBuilder, sql } from 'kysely';
import { type DirectQueries, type DirectStatement, directQueriesOf } from './dialect.js';
import type { Reader, Trx } from './handles.js';
import { BESIDE_LIST, ItemSlot, type ListOfValues, NAMED, Slot } from './slots.js';
import { keepStatement } from './statement-names.js';
import type { Tables } from './tables.js';
import { connectionOf } from './transaction-connection.js';

export interface Prepared<Row> {
  readonly rows: readonly Row[];
  /** Rows that an insert, update or delete wrote. */
  readonly written: number;
}

/**
 * A query that is built and compiled once for each kind of database; after that only its values change. For
 * queries that run for every result and every delivery: building one anew costs more than running it.
 *
 * @param build is called once with stand-ins for the values, so it may pass them on and nothing else: no
 *   condition on a value, no arithmetic, no list whose length they say
 */
export function prepared<Values extends object, Row>(
  build: (db: Reader, values: Values) => Compilable<Row>,
): (reader: Reader, values: Values) => Promise<Prepared<Row>> {
  return withSlots((db) => build(db, NAMED as Values));
}

/** As `prepared`, for queries whose stand-ins find their values in an object of another shape. */
export function withSlots<Row>(
  build: (db: Reader) => Compilable<Row>,
): (reader: Reader, values: object) => Promise<Prepared<Row>> {
  const plans = new WeakMap<object, Plan<Row>>();
  return (reader, values) => {
    try {
      const { adapter } = reader.getExecutor();
      let plan = plans.get(adapter);
      if (plan === undefined) {
        plan = planOf(adapter, build(reader).compile());
        plans.set(adapter, plan);
      }
      const parameters = plan.slots.map((slot, i) =>
        slot === null ? plan.query.parameters[i] : slot.of(values),
      );
      if (plan.direct?.mayRunDirectly(reader)) {
        plan.statement ??= plan.direct.direct(plan.query.sql);
        const answer = plan.statement(parameters) as Prepared<Row>;
        const wait = plan.direct.restAfter(reader) ?? plan.direct.whenDurable(reader);
        return wait === null ? Promise.resolve(answer) : wait.then(() => answer);
      }
      return askServer(reader, { ...plan.query, parameters });
    } catch (error) {
      return Promise.reject(error);
    }
  };
}

interface Plan<Row> {
  readonly query: CompiledQuery<Row>;
  /** Of each parameter that is no value of its own. */
  readonly slots: readonly (Slot | null)[];
  readonly direct: DirectQueries | null;
  statement: DirectStatement | null;
}

function planOf<Row>(adapter: object, query: CompiledQuery<Row>): Plan<Row> {
  keepStatement(query.sql);
  const slots = query.parameters.map((value) => (value instanceof Slot ? value : null));
  return { query, slots, direct: directQueriesOf(adapter), statement: null };
}

async function askServer<Row>(reader: Reader, query: CompiledQuery<Row>): Promise<Prepared<Row>> {
  const asked = connectionOf(reader) ?? reader;
  const { rows, numAffectedRows } = await asked.executeQuery<Row>(query);
  return { rows, written: Number(numAffectedRows ?? 0n) };
}

/**
 * A limit that is a value. SQLite plans a query anew at every run whose limit is nothing but a bound value,
 * since its size may suit another plan.
 */
export function bounded(limit: number): RawBuilder<number> {
  return sql<number>`${limit} + 0`;
}

/**
 * As `prepared`, for queries with a list of values (`in (…)`). Lists are filled up to a power of two by
 * repeating their last value, so that a few queries serve every length.
 *
 * @param build gets stand-ins for the values and for the list
 * @returns a function that takes the values and a list, and finds nothing for an empty one
 */
export function preparedForList<Values extends object, Row>(
  build: (db: Reader, values: Values, list: readonly string[]) => Compilable<Row>,
): (reader: Reader, values: Values, list: readonly string[]) => Promise<Prepared<Row>> {
  const queries = new Map<number, ReturnType<typeof withSlots<Row>>>();
  const queryOf = (length: number) => {
    const items = Array.from({ length }, (_, i) => new ItemSlot(i) as unknown as string);
    return withSlots((db) => build(db, BESIDE_LIST as Values, items));
  };
  return async (reader, values, list) => {
    if (list.length === 0) return { rows: [], written: 0 };
    const length = 2 ** Math.ceil(Math.log2(list.length));
    const query = queries.get(length) ?? queryOf(length);
    queries.set(length, query);
    return query(reader, { values, list } satisfies ListOfValues);
  };
}

/**
 * Inserts single rows into a table.
 *
 * @param unlessSame columns by which a row that is there already is kept and this one is not written; `any`
 *   for whatever must be unique
 * @returns a function that says whether the row was written
 */
export function preparedInsert<Name extends keyof Tables & string>(
  table: Name,
  unlessSame: readonly (keyof Tables[Name] & string)[] | 'any' = [],
): (trx: Trx, row: Tables[Name]) => Promise<boolean> {
  const keep =
    unlessSame === 'any'
      ? sql` on conflict do nothing`
      : unlessSame.length === 0
        ? sql``
        : sql` on conflict (${sql.join(unlessSame.map((column) => sql.ref(column)))}) do nothing`;
  const inserts = new Map<string, ReturnType<typeof prepared<object, never>>>();
  const insertOf = (columns: readonly string[]) =>
    prepared<object, never>((db, values) => ({
      compile: () => {
        const names = sql.join(columns.map((column) => sql.ref(column)));
        const slots = sql.join(columns.map((column) => Reflect.get(values, column) as unknown));
        return sql<never>`insert into ${sql.table(table)} (${names}) values (${slots})${keep}`.compile(
          db,
        );
      },
    }));
  return async (trx, row) => {
    const columns = Object.keys(row);
    const shape = columns.join(' ');
    const insert = inserts.get(shape) ?? insertOf(columns);
    inserts.set(shape, insert);
    return (await insert(trx, row)).written === 1;
  };
}
