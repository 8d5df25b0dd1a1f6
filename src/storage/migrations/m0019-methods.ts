import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** The method registry: versions with their content, what became of each, and its references. */
export async function up(db: Kysely<unknown>): Promise<void> {
  const bytes = sql.raw<string>(await dialectOf(db).bytesType(db));
  await db.schema
    .createTable('method_registry')
    .addColumn('site', 'text', (c) => c.primaryKey())
    .addColumn('state', 'text', (c) => c.notNull())
    .execute();
  await db.schema
    .createTable('method_reference')
    .addColumn('sha256', 'text', (c) => c.primaryKey())
    .addColumn('bytes', bytes, (c) => c.notNull())
    .execute();
  await db.schema
    .createTable('method_version')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('method_id', 'text', (c) => c.notNull())
    .addColumn('version', 'text', (c) => c.notNull())
    .addColumn('content', 'text', (c) => c.notNull())
    .addColumn('content_digest', 'text', (c) => c.notNull())
    .addColumn('reference_sha256', 'text')
    .addColumn('source', 'text', (c) => c.notNull())
    .addColumn('site_folder', 'text')
    .addColumn('proposal', 'text')
    .addColumn('proposed_by', 'text', (c) => c.notNull())
    .addColumn('proposed_at', 'bigint', (c) => c.notNull())
    .addPrimaryKeyConstraint('method_version_pk', ['site', 'method_id', 'version'])
    .execute();
  await db.schema
    .createTable('method_event')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('method_id', 'text', (c) => c.notNull())
    .addColumn('version', 'text', (c) => c.notNull())
    .addColumn('number', 'integer', (c) => c.notNull())
    .addColumn('kind', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('detail', 'text', (c) => c.notNull())
    .addColumn('signature_id', 'text')
    .addUniqueConstraint('method_event_unique', ['site', 'method_id', 'version', 'number'])
    .execute();
  for (const table of ['method_reference', 'method_version', 'method_event']) {
    for (const action of ['update', 'delete'] as const) {
      const message = `${table} rows are kept as written`;
      await dialectOf(db).guardRows(db, { table, action, message });
    }
  }
}
