import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** Electronic signatures, the sittings they are made in, and which signature last decided about a result. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('signature')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('zone', 'text', (c) => c.notNull())
    .addColumn('account_id', 'text', (c) => c.notNull())
    .addColumn('user_name', 'text', (c) => c.notNull())
    .addColumn('printed_name', 'text', (c) => c.notNull())
    .addColumn('meaning', 'text', (c) => c.notNull())
    .addColumn('subject_kind', 'text', (c) => c.notNull())
    .addColumn('subject_id', 'text', (c) => c.notNull())
    .addColumn('subject_revision', 'integer', (c) => c.notNull())
    .addColumn('shown', 'text', (c) => c.notNull())
    .addColumn('shown_sha256', 'text', (c) => c.notNull())
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('source', 'text')
    .addColumn('series', 'text', (c) => c.notNull())
    .addColumn('series_number', 'integer', (c) => c.notNull())
    .addColumn('components', 'text', (c) => c.notNull())
    .addColumn('digest', 'text', (c) => c.notNull().unique())
    .addUniqueConstraint('signature_series_unique', ['series', 'series_number'])
    .execute();
  await db.schema
    .createIndex('signature_by_subject')
    .on('signature')
    .columns(['site', 'subject_kind', 'subject_id'])
    .execute();
  for (const action of ['update', 'delete'] as const) {
    const message = 'signature rows are kept as written';
    await dialectOf(db).guardRows(db, { table: 'signature', action, message });
  }

  await db.schema
    .createTable('signing_sitting')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('account_id', 'text', (c) => c.notNull())
    .addColumn('session_id', 'text', (c) => c.notNull())
    .addColumn('last_at', 'bigint', (c) => c.notNull())
    .addColumn('signed', 'integer', (c) => c.notNull())
    .addColumn('ended_at', 'bigint')
    .execute();
  await sql`create unique index signing_sitting_open on signing_sitting (session_id)
    where ended_at is null`.execute(db);

  await db.schema.alterTable('result').addColumn('review_signature_id', 'text').execute();
  await sql`create index result_to_review on result (site, id)
    where state = 'held' or review_signature_id is not null`.execute(db);
}
