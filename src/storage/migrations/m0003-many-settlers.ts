import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** Examining and settling by several processes at once. */
export async function up(db: Kysely<unknown>): Promise<void> {
  const dialect = dialectOf(db);

  // Bundles of one lane are settled in the order they arrived, those of different lanes beside each other.
  await db.schema
    .alterTable('bundle')
    .addColumn('lane', 'text', (c) => c.notNull().defaultTo(''))
    .execute();
  await dialect.numberArrivals(db);
  await sql
    .raw(
      `create index bundle_waiting on bundle (site, lane, ${dialect.arrivalOrder.join(', ')})
       where state = 'received'`,
    )
    .execute(db);
  await db.schema
    .createTable('lane')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('name', 'text', (c) => c.notNull())
    .addColumn('worker', 'text')
    .addColumn('fence', 'bigint', (c) => c.notNull())
    .addPrimaryKeyConstraint('lane_pk', ['site', 'name'])
    .execute();
  await sql`insert into lane (site, name, worker, fence)
    select distinct site, '', cast(null as text), 0 from bundle where state = 'received'`.execute(
    db,
  );

  await db.schema
    .createTable('named_id')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('id', 'text', (c) => c.notNull())
    .addPrimaryKeyConstraint('named_id_pk', ['site', 'id'])
    .execute();

  await db.schema.alterTable('result').addColumn('supersedes', 'text').execute();
  await sql
    .raw(
      'create index result_by_superseded on result (site, supersedes) where supersedes is not null',
    )
    .execute(db);

  await db.schema
    .createTable('receipt_news')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .execute();
}
