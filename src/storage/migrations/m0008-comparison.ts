// Longer than other files: one migration is one file, and it is never edited once it has shipped.

import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** Comparison kept up to date event by event; discrepancies with owner and history; closed periods. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await makeMarks(db);
  await makeDues(db);
  await makeTallies(db);
  await widenDiscrepancies(db);
  await makePeriods(db);
  await setMarks(db);
}

/**
 * What changed since it was last compared; a round reads, compares and deletes. What was stored before this version
 * is marked by the first round, which finds that nothing was compared under its settings.
 */
async function makeMarks(db: Kysely<unknown>): Promise<void> {
  await sql
    .raw(
      `create table comparison_mark (
         n ${dialectOf(db).numberedKey},
         site ${text(db)} not null, kind ${text(db)} not null, subject ${text(db)} not null)`,
    )
    .execute(db);
  await db.schema
    .createTable('comparison_state')
    .addColumn('site', 'text', (c) => c.primaryKey())
    .addColumn('settings', 'text', (c) => c.notNull())
    .execute();
}

/** Raw statements name the collation that Kysely's compiler gives text columns of that database. */
function text(db: Kysely<unknown>): string {
  return dialectOf(db).isShared ? 'text collate "C"' : 'text';
}

/** When deliveries of something without a receipt become overdue. */
async function makeDues(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('comparison_due')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('kind', 'text', (c) => c.notNull())
    .addColumn('subject', 'text', (c) => c.notNull())
    .addColumn('due_at', 'bigint', (c) => c.notNull())
    .addPrimaryKeyConstraint('comparison_due_pk', ['site', 'kind', 'subject'])
    .execute();
  await db.schema
    .createIndex('comparison_due_by_time')
    .on('comparison_due')
    .columns(['site', 'due_at'])
    .execute();
}

async function makeTallies(db: Kysely<unknown>): Promise<void> {
  const count = ['accepted', 'held', 'refused', 'superseded', 'delivered', 'confirmed'];
  let cells = db.schema
    .createTable('comparison_cell')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('day', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('instrument', 'text', (c) => c.notNull())
    .addColumn('destination', 'text', (c) => c.notNull());
  for (const name of count) cells = cells.addColumn(name, 'integer', (c) => c.notNull());
  await cells
    .addPrimaryKeyConstraint('comparison_cell_pk', [
      'site',
      'day',
      'receipt_id',
      'instrument',
      'destination',
    ])
    .execute();
  await db.schema
    .createIndex('comparison_cell_by_receipt')
    .on('comparison_cell')
    .columns(['site', 'receipt_id'])
    .execute();
  await db.schema
    .createTable('comparison_receipt')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('day', 'text', (c) => c.notNull())
    .addColumn('containers', 'integer', (c) => c.notNull())
    .addColumn('expected', 'integer', (c) => c.notNull())
    .addColumn('measured', 'integer', (c) => c.notNull())
    .addColumn('next_due_at', 'bigint')
    .addPrimaryKeyConstraint('comparison_receipt_pk', ['site', 'receipt_id'])
    .execute();
  await db.schema
    .createIndex('comparison_receipt_by_day')
    .on('comparison_receipt')
    .columns(['site', 'day'])
    .execute();
  await sql
    .raw(
      `create index comparison_receipt_due on comparison_receipt (site, next_due_at)
       where next_due_at is not null`,
    )
    .execute(db);
  await db.schema.createIndex('receipt_by_area').on('receipt').columns(['site', 'area']).execute();
  // Which receipts ever conformed is asked for every piece of evidence without an owner.
  await sql
    .raw(
      `create index statement_conforms on statement (site, receipt_id) where outcome = 'conforms'`,
    )
    .execute(db);
  // Results without a receipt are compared by day and instrument.
  await sql
    .raw(`create index result_unowned on result (site, measured_at) where receipt_id is null`)
    .execute(db);
}

async function widenDiscrepancies(db: Kysely<unknown>): Promise<void> {
  const add = (name: string, type: 'text' | 'bigint') =>
    db.schema.alterTable('discrepancy').addColumn(name, type).execute();
  await sql`alter table discrepancy add column derived integer not null default 0`.execute(db);
  await add('counts_from', 'bigint');
  await add('instrument', 'text');
  await add('fault', 'text');
  await add('owner', 'text');
  await sql`update discrepancy set counts_from = opened_at`.execute(db);
  for (const [name, columns, rows] of [
    // Evidence that events opened, as every evaluation asks for it; the comparison's own rows stay out of it.
    ['discrepancy_event_open', 'site, receipt_id', 'closed_at is null and derived = 0'],
    ['discrepancy_open_listed', 'site, class, opened_at, id', 'closed_at is null'],
    ['discrepancy_open_of', 'site, receipt_id', 'closed_at is null and derived = 1'],
    ['discrepancy_open_subject', 'site, subject', 'closed_at is null'],
  ] as const) {
    await sql.raw(`create index ${name} on discrepancy (${columns}) where ${rows}`).execute(db);
  }
  await db.schema
    .createIndex('discrepancy_by_closing')
    .on('discrepancy')
    .columns(['site', 'closed_at'])
    .execute();
  await db.schema
    .createTable('discrepancy_event')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('discrepancy_id', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('kind', 'text', (c) => c.notNull())
    .addColumn('actor_kind', 'text', (c) => c.notNull())
    .addColumn('actor', 'text', (c) => c.notNull())
    .addColumn('text', 'text', (c) => c.notNull())
    .addColumn('reference', 'text')
    .execute();
  await db.schema
    .createIndex('discrepancy_event_of')
    .on('discrepancy_event')
    .columns(['site', 'discrepancy_id', 'at'])
    .execute();
  await keep(db, 'discrepancy_event');
}

async function makePeriods(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('period')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('from_at', 'bigint', (c) => c.notNull())
    .addColumn('to_at', 'bigint', (c) => c.notNull())
    .addColumn('document', 'text', (c) => c.notNull())
    .addColumn('digest', 'text', (c) => c.notNull())
    .addColumn('closed_at', 'bigint', (c) => c.notNull())
    .addColumn('closed_by', 'text', (c) => c.notNull())
    .addColumn('signature', 'text', (c) => c.notNull())
    .addColumn('reason', 'text', (c) => c.notNull())
    .execute();
  await db.schema
    .createIndex('period_by_time')
    .unique()
    .on('period')
    .columns(['site', 'from_at'])
    .execute();
  await db.schema
    .createTable('period_addendum')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('period_id', 'text', (c) => c.notNull())
    .addColumn('number', 'integer', (c) => c.notNull())
    .addColumn('opened_at', 'bigint', (c) => c.notNull())
    .addColumn('closed_at', 'bigint')
    .addColumn('closed_by', 'text')
    .addColumn('signature', 'text')
    .addColumn('reason', 'text')
    .addColumn('document', 'text')
    .addColumn('digest', 'text')
    .addUniqueConstraint('period_addendum_number', ['site', 'period_id', 'number'])
    .execute();
  await db.schema
    .createTable('period_change')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('addendum_id', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('subject', 'text', (c) => c.notNull())
    .addColumn('detail', 'text', (c) => c.notNull())
    .addUniqueConstraint('period_change_once', ['site', 'addendum_id', 'subject', 'detail'])
    .execute();
  await keep(db, 'period');
  await keep(db, 'period_change');
  const dialect = dialectOf(db);
  const message = 'period_addendum rows are kept as written';
  await dialect.guardRows(db, { table: 'period_addendum', action: 'delete', message });
  await dialect.guardRows(db, {
    table: 'period_addendum',
    action: 'update',
    when: 'old.closed_at is not null',
    message,
  });
}

async function keep(db: Kysely<unknown>, table: string): Promise<void> {
  for (const action of ['update', 'delete'] as const) {
    await dialectOf(db).guardRows(db, {
      table,
      action,
      message: `${table} rows are kept as written`,
    });
  }
}

const RESULT_MARK = mark("'result'", 'new.id');
const UNDER_WAY = "('due', 'building', 'sending')";

function mark(kind: string, subject: string, row: 'new' | 'old' = 'new'): string {
  return `insert into comparison_mark (site, kind, subject) values (${row}.site, ${kind}, ${subject})`;
}

/**
 * The database itself marks what changed, in the transaction of the change and whoever makes it: no part of the
 * service has to remember to. Only columns that the comparison reads count.
 */
async function setMarks(db: Kysely<unknown>): Promise<void> {
  const dialect = dialectOf(db);
  const differs = (columns: readonly string[]) =>
    columns.map((c) => `new.${c} is distinct from old.${c}`).join(' or ');
  await dialect.onChange(db, {
    name: 'result_marked',
    table: 'result',
    event: 'insert',
    run: RESULT_MARK,
  });
  // When and by which instrument it was measured never changes.
  const ofResult = ['state', 'receipt_id', 'container_label'];
  await dialect.onChange(db, {
    name: 'result_change_marked',
    table: 'result',
    event: 'update',
    columns: ofResult,
    when: differs(ofResult),
    run: RESULT_MARK,
  });
  await dialect.onChange(db, {
    name: 'result_move_marked',
    table: 'result',
    event: 'update',
    columns: ['receipt_id'],
    when: 'old.receipt_id is not null and new.receipt_id is distinct from old.receipt_id',
    run: mark("'receipt'", 'old.receipt_id', 'old'),
  });
  const delivery = mark("'delivery'", 'new.id');
  await dialect.onChange(db, {
    name: 'delivery_marked',
    table: 'delivery',
    event: 'insert',
    run: delivery,
  });
  await dialect.onChange(db, {
    name: 'delivery_change_marked',
    table: 'delivery',
    event: 'update',
    columns: ['state', 'fault', 'reason'],
    when: `(new.state <> old.state
        and not (new.state in ${UNDER_WAY} and old.state in ${UNDER_WAY}))
      or ${differs(['fault', 'reason'])}`,
    run: delivery,
  });
  const receipt = mark("'receipt'", 'new.id');
  await dialect.onChange(db, {
    name: 'receipt_marked',
    table: 'receipt',
    event: 'insert',
    when: 'new.announced = 1',
    run: receipt,
  });
  const ofReceipt = ['id', 'announced', 'received_at', 'revision'];
  await dialect.onChange(db, {
    name: 'receipt_change_marked',
    table: 'receipt',
    event: 'update',
    columns: ofReceipt,
    when: differs(ofReceipt),
    run: receipt,
  });
  for (const [event, row] of [
    ['insert', 'new'],
    ['update', 'new'],
    ['delete', 'old'],
  ] as const) {
    await dialect.onChange(db, {
      name: `container_${event}_marked`,
      table: 'container',
      event,
      run: mark("'receipt'", `${row}.receipt_id`, row),
    });
  }
}
