import pg from 'pg';
import { afterEach, describe, expect, it, vi } from 'vitest';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { onServer, urlOf } from '../support/postgres-server.js';

/** Tables that grow with what is measured; all others stay as small as the site. */
const GROWING = [
  'attempt',
  'audit_entry',
  'bundle',
  'container',
  'delivery',
  'finding',
  'measured_trace',
  'named_id',
  'ordering_key',
  'raw_bytes',
  'receipt',
  'result',
  'statement',
];
/**
 * Rows that each of them is brought to: the story told again and again, by other ids and ten minutes earlier each time. Of
 * much fewer PostgreSQL would read all, and rightly.
 */
const ROWS = 6_000;
/** A story, and some ten thousand rows: on a busy machine that takes longer than other tests may. */
const MS_MAX = 120_000;
/** Columns that tell one row from another, with those that point there. */
const NAMES =
  /^(?:id|.*_id|subject|ordering_key|idempotency_key|label|container_label|key|scan_text|receipt_text|.*sha256)$/;
/** Nothing, or what every row of a site has. */
const BY_SITE = /^(?:\(site = \$\d+(?:::text)?\))?$/;
/** What a person asks for by hand, and what these tests do. */
const BY_HAND = [
  /^select "id" from "receipt" where "site" = \$1 and \("announced" = \$2 or "id" = \$3\) and/,
  /^select "delivery"\."receipt_id", "delivery"\."subject_kind", .* "delivery"\."destination_reference" = /,
  /^select "id", "at", "actor", "action", "subject_id", "reason" from "audit_entry"/,
  /^select subject_kind as kind, destination as what, state from delivery/,
];
/** Which receipts conform stands in no index: those with a retest date are looked through once a round. */
const BY_ROUND = [/^select .* from "receipt" where .* and "retest_at" <= \$\d+ order by "id"$/];
/** Once when what is compared was set otherwise: everything announced is marked, so all of a site may be read. */
const BY_SETTING = [
  /^insert into comparison_mark \(site, kind, subject\) select site, 'receipt', id from receipt where site = \$1 and announced = 1$/,
];
/** Statements that must be among those looked at, or the story does not tell what it should. */
const HOT: Readonly<Record<string, RegExp>> = {
  'lanes to take': /^select "name" from "lane" .* skip locked$/,
  'the next bundle of a lane': /^select "name" from "lane" .* for update of "lane"$/,
  'deliveries that are due': /^select "d"\..* for update of "d" skip locked$/,
  'results of a receipt': /^select .* from "result" where .*"receipt_id" = /,
  'results of a container': /^select .* from "result" where .*"container_label" in /,
  'traces of the same axis':
    /^select "result_row_id" as "rowId", .* from "measured_trace" .*"noise_key" = /,
  'traces of the same method':
    /^select "result_row_id" as "rowId", .* from "measured_trace" .*"noise_method" = /,
  'the latest traces':
    /^select "result_row_id" as "rowId", .* from "measured_trace" .*"noise_curve" is not null/,
  'spectra of the same intensities': /^select .* from "result" where .*"intensity_sha256" in /,
  'deliveries of a receipt': /^select .* from "delivery" .*"receipt_id" = /,
  'receipts to be evaluated': /^select "id" from "receipt" where .*"evaluation_due" = 1/,
  'the last bundle that waits':
    /^select max\("bundle"\."arrival"\) as "number" from "bundle" where .*"state" = 'received'$/,
  'entries to be sealed': /^select \* from "audit_entry" where .*"sequence" is null/,
};

let world: GatewayWorld | null = null;

afterEach(async () => {
  vi.restoreAllMocks();
  await world?.close();
  world = null;
});

describe('statements of a whole story, planned for any values over the history of a site', () => {
  it(
    'read no table that grows from one end to the other',
    async () => {
      world = await GatewayWorld.open();
      const asked = vi.spyOn(pg.Client.prototype, 'query');
      const dock = new Dock(world);
      const receipt = receiptOf(1);
      await dock.conform(receipt);
      const typed = { receipt: { scanned: receipt.scanText, entry: 'typed' as const } };
      dock.measure(EAST[0], receipt, 'D1-01', { holds: 'naphthalene', says: typed });
      await dock.sync(EAST[0]);
      await world.says(receipt.id, 'does-not-conform');
      await world.quiet();
      await world.http({ path: '/api/v1/trace?term=D1-01' });
      const texts = new Set(asked.mock.calls.map(([query]) => textOf(query)));
      asked.mockRestore();
      const name = world.databaseName();
      await world.close();
      world = null;

      const queries = [...texts].filter(isQuery);
      const missing = Object.entries(HOT).filter(
        ([, begin]) => !queries.some((q) => begin.test(q)),
      );
      expect(missing.map(([what]) => what)).toEqual([]);
      const copy = `${name}_history`;
      await onServer(`create database ${copy} template ${name}`);
      try {
        const client = new pg.Client({ connectionString: urlOf(copy) });
        await client.connect();
        try {
          await tellAgain(client);
          expect(await smallAmong(client)).toEqual([]);
          const found = await readThrough(client, queries);
          expect(found).toEqual([]);
        } finally {
          await client.end();
        }
      } finally {
        await onServer(`drop database ${copy} with (force)`);
      }
    },
    MS_MAX,
  );
});

function textOf(query: unknown): string {
  const text = typeof query === 'string' ? query : (query as { readonly text?: string }).text;
  return (text ?? '').trim().replaceAll(/\s+/g, ' ');
}

function isQuery(text: string): boolean {
  return /^(?:select|update|delete|insert|with)\b/i.test(text);
}

interface Column {
  readonly table: string;
  readonly name: string;
  readonly type: string;
}

/** Multiplies what the story left, so that the rows of each telling belong together as those of the first do. */
async function tellAgain(client: pg.Client): Promise<void> {
  const { rows } = await client.query<Column>(
    `select table_name as table, column_name as name, data_type as type
     from information_schema.columns where table_schema = 'public' and is_identity = 'NO'
     order by table_name, ordinal_position`,
  );
  // Neither guards nor reactions: these rows are history.
  await client.query(
    'begin; set local session_replication_role = replica; set local synchronous_commit = off',
  );
  for (const table of GROWING) {
    const columns = rows.filter((column) => column.table === table);
    const names = columns.map(({ name }) => `"${name}"`).join(', ');
    const values = columns.map(toldAgain).join(', ');
    await client.query(
      `insert into ${table} (${names}) select ${values} from ${table},
       generate_series(1::bigint, (select ${ROWS} / greatest(count(*), 1) from ${table})) as n
       on conflict do nothing`,
    );
  }
  await client.query('commit');
  await client.query('analyze');
}

/** Growing tables of which the story left nothing to tell again. */
async function smallAmong(client: pg.Client): Promise<string[]> {
  const { rows } = await client.query<{ readonly name: string }>(
    'select relname as name from pg_class where relname = any($1) and reltuples < $2',
    [GROWING, ROWS / 2],
  );
  return rows.map(({ name }) => name);
}

function toldAgain({ name, type }: Column): string {
  if (name === 'sequence') return `"${name}" + n * 10000`;
  if (type === 'bytea') return `'\\x00'::bytea`;
  if (type === 'bigint' && name.endsWith('_at')) return `"${name}" - n * 600000000`;
  if (type !== 'text') return `"${name}"`;
  return NAMES.test(name) ? `"${name}" || '-' || n` : `left("${name}", 400)`;
}

interface PlanNode {
  readonly 'Node Type': string;
  readonly 'Relation Name'?: string;
  readonly 'Index Name'?: string;
  readonly 'Index Cond'?: string;
  readonly Plans?: readonly PlanNode[];
}

/** Statements whose plan reads a growing table from end to end, or all of a site, with what they read so. */
async function readThrough(client: pg.Client, texts: readonly string[]) {
  await client.query('set plan_cache_mode = force_generic_plan; set jit = off');
  const whole = await wholeIndexes(client);
  const found: { readonly text: string; readonly reads: string }[] = [];
  for (const text of texts) {
    if ([...BY_HAND, ...BY_ROUND, ...BY_SETTING].some((rule) => rule.test(text))) continue;
    for (const node of nodesOf(await genericPlan(client, text))) {
      const reads = readsThrough(node, whole);
      if (reads !== null) found.push({ text, reads });
    }
  }
  return found;
}

function readsThrough(node: PlanNode, whole: ReadonlyMap<string, string>): string | null {
  const { 'Node Type': type, 'Index Name': index, 'Index Cond': condition } = node;
  const table = index === undefined ? node['Relation Name'] : whole.get(index);
  if (table === undefined || !GROWING.includes(table)) return null;
  if (index === undefined) return type === 'Seq Scan' ? table : null;
  return BY_SITE.test(condition ?? '') ? `${table} by ${index}` : null;
}

/** Indexes of every row of their table, with the table. */
async function wholeIndexes(client: pg.Client): Promise<ReadonlyMap<string, string>> {
  const { rows } = await client.query<{ readonly name: string; readonly table: string }>(
    `select c.relname as name, t.relname as table from pg_index i
     join pg_class c on c.oid = i.indexrelid join pg_class t on t.oid = i.indrelid
     where i.indpred is null`,
  );
  return new Map(rows.map(({ name, table }) => [name, table]));
}

/** As a connection plans a statement that it keeps, whatever its values. */
async function genericPlan(client: pg.Client, text: string): Promise<PlanNode> {
  await client.query(`prepare kept as ${text}`);
  try {
    const count = Math.max(
      0,
      ...[...text.matchAll(/\$(\d+)/g)].map(([, number]) => Number(number)),
    );
    const values = count === 0 ? '' : `(${Array<string>(count).fill('null').join(', ')})`;
    const { rows } = await client.query<{ 'QUERY PLAN': [{ Plan: PlanNode }] }>(
      `explain (format json) execute kept${values}`,
    );
    const [first] = rows;
    if (first === undefined) throw new Error('the server showed no plan');
    return first['QUERY PLAN'][0].Plan;
  } finally {
    await client.query('deallocate kept');
  }
}

function* nodesOf(node: PlanNode): Generator<PlanNode> {
  yield node;
  for (const child of node.Plans ?? []) yield* nodesOf(child);
}
