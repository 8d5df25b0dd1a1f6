import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** Sweeps of what destinations hold, watched descriptions, and lives of a database after a copy or a restore. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await addColumns(db);
  await makeSweeps(db);
  await makeWatches(db);
  // Read by the sweeps alone: what should be at a destination, by when it got there.
  await sql
    .raw(
      `create index delivery_held on delivery (site, destination, coalesce(accepted_at, confirmed_at), id)
       where state in ('accepted', 'confirmed')`,
    )
    .execute(db);
}

async function addColumns(db: Kysely<unknown>): Promise<void> {
  const add = (table: string) => db.schema.alterTable(table);
  await add('instance').addColumn('place', 'text').execute();
  await add('instance')
    .addColumn('tick', 'bigint', (c) => c.notNull().defaultTo(0))
    .execute();
  await add('instance').addColumn('recovering', 'text').execute();
  await add('instance').addColumn('recovering_since', 'bigint').execute();
  await add('instance').addColumn('facts_until', 'bigint').execute();
  await add('destination').addColumn('pause_kept', 'text').execute();
  await add('delivery').addColumn('ask_since', 'bigint').execute();
  await add('receipt')
    .addColumn('revision_floor', 'integer', (c) => c.notNull().defaultTo(0))
    .execute();
}

async function makeSweeps(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('sweep')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('destination', 'text', (c) => c.notNull())
    .addColumn('cause', 'text', (c) => c.notNull())
    .addColumn('from_at', 'bigint', (c) => c.notNull())
    .addColumn('to_at', 'bigint', (c) => c.notNull())
    .addColumn('listed_to', 'bigint', (c) => c.notNull())
    .addColumn('state', 'text', (c) => c.notNull())
    .addColumn('cursor', 'text', (c) => c.notNull())
    .addColumn('pages', 'integer', (c) => c.notNull())
    .addColumn('items', 'bigint', (c) => c.notNull())
    .addColumn('counts', 'text', (c) => c.notNull())
    .addColumn('failures', 'integer', (c) => c.notNull())
    .addColumn('detail', 'text')
    .addColumn('worker', 'text')
    .addColumn('fence', 'bigint', (c) => c.notNull())
    .addColumn('created_at', 'bigint', (c) => c.notNull())
    .addColumn('due_at', 'bigint', (c) => c.notNull())
    .addColumn('finished_at', 'bigint')
    .execute();
  await sql
    .raw(
      `create index sweep_open on sweep (site, destination, created_at) where finished_at is null`,
    )
    .execute(db);
  await db.schema
    .createIndex('sweep_by_time')
    .on('sweep')
    .columns(['site', 'destination', 'created_at'])
    .execute();

  // Working notes of a sweep under way; gone when it ends.
  await db.schema
    .createTable('sweep_item')
    .addColumn('sweep_id', 'text', (c) => c.notNull())
    .addColumn('delivery_id', 'text', (c) => c.notNull())
    .addColumn('message', 'text', (c) => c.notNull())
    .addColumn('count', 'integer', (c) => c.notNull())
    .addColumn('verdict', 'text', (c) => c.notNull())
    .addColumn('field', 'text')
    .addColumn('detail', 'text')
    .addPrimaryKeyConstraint('sweep_item_pk', ['sweep_id', 'delivery_id'])
    .execute();

  // What a destination showed that no delivery of ours accounts for.
  await db.schema
    .createTable('destination_holding')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('destination', 'text', (c) => c.notNull())
    .addColumn('identity', 'text', (c) => c.notNull())
    .addColumn('reference', 'text')
    .addColumn('message', 'text')
    .addColumn('receipt_id', 'text')
    .addColumn('subject', 'text')
    .addColumn('revision', 'integer')
    .addColumn('held_at', 'bigint')
    .addColumn('item', 'text', (c) => c.notNull())
    .addColumn('first_sweep', 'text', (c) => c.notNull())
    .addColumn('last_sweep', 'text', (c) => c.notNull())
    .addColumn('settled_at', 'bigint')
    .addPrimaryKeyConstraint('destination_holding_pk', ['site', 'destination', 'identity'])
    .execute();
  await sql
    .raw(
      `create index destination_holding_subject on destination_holding
       (site, destination, message, subject, revision)`,
    )
    .execute(db);
  await dialectOf(db).guardRows(db, {
    table: 'sweep',
    action: 'delete',
    message: 'sweep rows are kept as written',
  });
}

async function makeWatches(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('destination_watch')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('destination', 'text', (c) => c.notNull())
    .addColumn('declared', 'text', (c) => c.notNull())
    .addColumn('approved_digest', 'text')
    .addColumn('approved_document', 'text')
    .addColumn('approved_at', 'bigint')
    .addColumn('seen_digest', 'text')
    .addColumn('seen_document', 'text')
    .addColumn('seen_at', 'bigint')
    .addColumn('hold', 'text')
    .addColumn('hold_since', 'bigint')
    .addColumn('difference', 'text')
    .addColumn('difference_since', 'bigint')
    .addColumn('must_look', 'integer', (c) => c.notNull())
    .addColumn('look_at', 'bigint', (c) => c.notNull())
    .addColumn('detail', 'text')
    .addPrimaryKeyConstraint('destination_watch_pk', ['site', 'destination'])
    .execute();
}
