import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/**
 * A receipt may come from another in more than one way: it knows a source by way of a part of it and names that source itself
 * later, which says more; or what was repacked of a source is merged with the rest of it. Links are kept as written, so both
 * stand; before, the announcement or the merge failed, or one way was forgotten.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  const { isShared } = dialectOf(db);
  if (isShared) {
    await db.schema.alterTable('receipt_link').dropConstraint('receipt_link_unique').execute();
    await indexBySource(db);
    return;
  }
  // SQLite takes a constraint away with its table only; triggers and indexes go with it.
  await db.schema.alterTable('receipt_link').renameTo('receipt_link_each').execute();
  await db.schema
    .createTable('receipt_link')
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
    .execute();
  const columns = sql.raw(COLUMNS.join(', '));
  await sql`insert into receipt_link (${columns}) select ${columns} from receipt_link_each`.execute(
    db,
  );
  await db.schema.dropTable('receipt_link_each').execute();
  await db.schema
    .createIndex('receipt_link_by_target')
    .on('receipt_link')
    .columns(['site', 'to_receipt'])
    .execute();
  await indexBySource(db);
  const { guardRows } = dialectOf(db);
  const guard = { table: 'receipt_link', message: 'receipt_link rows are kept as written' };
  await guardRows(db, { ...guard, action: 'delete' });
  const kept = COLUMNS.filter((column) => !['id', 'site', 'signature_id'].includes(column));
  // A signed act may be put to it once; nothing else changes.
  await guardRows(db, {
    ...guard,
    action: 'update',
    when: [
      'old.signature_id is not null',
      ...kept.map((column) => `new.${column} is distinct from old.${column}`),
    ].join(' or '),
  });
}

const COLUMNS = [
  'id',
  'site',
  'kind',
  'from_receipt',
  'to_receipt',
  'document',
  'known_contrary',
  'reason',
  'actor',
  'at',
  'signature_id',
];

async function indexBySource(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createIndex('receipt_link_by_source')
    .on('receipt_link')
    .columns(['site', 'from_receipt', 'to_receipt'])
    .execute();
}
