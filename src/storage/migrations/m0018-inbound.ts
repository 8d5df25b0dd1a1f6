import type { Kysely } from 'kysely';
import { dialectOf } from '../dialect.js';

/** What sources say of receipts: documents as they came, what each line of them did, and the mappings they were read by. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('inbound_revision')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('source', 'text', (c) => c.notNull())
    .addColumn('digest', 'text', (c) => c.notNull())
    .addColumn('content', 'text', (c) => c.notNull())
    .addColumn('activated_at', 'bigint', (c) => c.notNull())
    .addColumn('activated_by', 'text', (c) => c.notNull())
    .addColumn('approved_by', 'text', (c) => c.notNull())
    .addColumn('active', 'integer', (c) => c.notNull())
    .addPrimaryKeyConstraint('inbound_revision_pk', ['site', 'source', 'digest'])
    .execute();
  await db.schema
    .createTable('inbound_document')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('source', 'text', (c) => c.notNull())
    .addColumn('mapping_digest', 'text', (c) => c.notNull())
    .addColumn('raw_sha256', 'text', (c) => c.notNull())
    .addColumn('content_type', 'text', (c) => c.notNull())
    .addColumn('caller', 'text', (c) => c.notNull())
    .addColumn('outcome', 'text', (c) => c.notNull())
    .addColumn('faults', 'text')
    .addColumn('at', 'bigint', (c) => c.notNull())
    .execute();
  await db.schema
    .createTable('inbound_line')
    .addColumn('document_id', 'text', (c) => c.notNull())
    .addColumn('position', 'integer', (c) => c.notNull())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('source', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('place', 'text', (c) => c.notNull())
    .addColumn('change', 'text', (c) => c.notNull())
    .addColumn('sequence', 'text')
    .addColumn('body_sha256', 'text', (c) => c.notNull())
    .addColumn('outcome', 'text', (c) => c.notNull())
    .addColumn('revision', 'integer')
    .addPrimaryKeyConstraint('inbound_line_pk', ['document_id', 'position'])
    .execute();
  await db.schema
    .createIndex('inbound_line_by_receipt')
    .on('inbound_line')
    .columns(['site', 'receipt_id', 'source', 'sequence'])
    .execute();
  const { guardRows } = dialectOf(db);
  for (const table of ['inbound_document', 'inbound_line'] as const) {
    for (const action of ['update', 'delete'] as const) {
      await guardRows(db, { table, action, message: `${table} rows are kept as written` });
    }
  }
}
