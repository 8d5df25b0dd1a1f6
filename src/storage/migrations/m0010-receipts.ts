import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** Receipts that are cancelled, split, merged or come from others; labels printed anew or looked at by a person. */
export async function up(db: Kysely<unknown>): Promise<void> {
  const table = (name: string) => db.schema.createTable(name);

  await db.schema
    .alterTable('receipt')
    .addColumn('status', 'text', (c) => c.notNull().defaultTo('open'))
    .execute();
  await db.schema
    .alterTable('receipt')
    .addColumn('linked', sql`integer`, (c) => c.notNull().defaultTo(0))
    .execute();
  await db.schema
    .createIndex('container_by_label')
    .on('container')
    .columns(['site', 'normalised'])
    .execute();

  await table('receipt_link')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('kind', 'text', (c) => c.notNull())
    .addColumn('from_receipt', 'text', (c) => c.notNull())
    .addColumn('to_receipt', 'text', (c) => c.notNull())
    .addColumn('document', 'text', (c) => c.notNull())
    .addColumn('known_contrary', 'integer', (c) => c.notNull())
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('actor', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('signature_id', 'text')
    .addUniqueConstraint('receipt_link_unique', ['site', 'from_receipt', 'to_receipt'])
    .execute();
  await db.schema
    .createIndex('receipt_link_by_target')
    .on('receipt_link')
    .columns(['site', 'to_receipt'])
    .execute();

  await table('container_relabel')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('old_label', 'text', (c) => c.notNull())
    .addColumn('old_key', 'text', (c) => c.notNull())
    .addColumn('new_label', 'text', (c) => c.notNull())
    .addColumn('new_key', 'text', (c) => c.notNull())
    .addColumn('witness', 'text', (c) => c.notNull())
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('actor', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addUniqueConstraint('container_relabel_unique', ['site', 'receipt_id', 'old_key'])
    .execute();

  await table('label_verification')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('result_row_id', 'text', (c) => c.notNull())
    .addColumn('container_label', 'text', (c) => c.notNull())
    .addColumn('seen_label', 'text', (c) => c.notNull())
    .addColumn('seen_receipt', 'text', (c) => c.notNull())
    .addColumn('verified_by', 'text', (c) => c.notNull())
    .addColumn('signature_id', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addUniqueConstraint('label_verification_unique', ['site', 'result_row_id'])
    .execute();

  await table('receipt_request')
    .addColumn('caller', 'text', (c) => c.notNull())
    .addColumn('key', 'text', (c) => c.notNull())
    .addColumn('request_sha256', 'text', (c) => c.notNull())
    .addColumn('answer', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addPrimaryKeyConstraint('receipt_request_pk', ['caller', 'key'])
    .execute();

  const { guardRows } = dialectOf(db);
  for (const name of ['container_relabel', 'label_verification'] as const) {
    for (const action of ['update', 'delete'] as const) {
      await guardRows(db, { table: name, action, message: `${name} rows are kept as written` });
    }
  }
  const kept = [
    'kind',
    'from_receipt',
    'to_receipt',
    'document',
    'known_contrary',
    'reason',
    'actor',
    'at',
  ];
  await guardRows(db, {
    table: 'receipt_link',
    action: 'delete',
    message: 'receipt_link rows are kept as written',
  });
  // A signed act may be put to it once; nothing else changes.
  await guardRows(db, {
    table: 'receipt_link',
    action: 'update',
    when: [
      'old.signature_id is not null',
      ...kept.map((column) => `new.${column} is distinct from old.${column}`),
    ].join(' or '),
    message: 'receipt_link rows are kept as written',
  });
}
