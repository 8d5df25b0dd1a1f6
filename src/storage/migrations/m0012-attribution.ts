import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** Results that get another receipt or container by signature, and containers that a signed act rejects. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await withdrawEachRevision(db);
  const { guardRows } = dialectOf(db);

  await db.schema
    .createTable('attribution')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('result_row_id', 'text', (c) => c.notNull())
    .addColumn('from_receipt', 'text')
    .addColumn('from_label', 'text')
    .addColumn('to_receipt', 'text', (c) => c.notNull())
    .addColumn('to_label', 'text', (c) => c.notNull())
    .addColumn('seen_receipt', 'text', (c) => c.notNull())
    .addColumn('seen_container', 'text', (c) => c.notNull())
    .addColumn('seen_lot', 'text')
    .addColumn('seen_by', 'text', (c) => c.notNull())
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('proposed_by', 'text', (c) => c.notNull())
    .addColumn('proposed_name', 'text', (c) => c.notNull())
    .addColumn('proposed_at', 'bigint', (c) => c.notNull())
    .addColumn('state', 'text', (c) => c.notNull())
    .addColumn('decided_at', 'bigint')
    .addColumn('signature_id', 'text')
    .addColumn('result_revision', 'integer')
    .addColumn('judged_revision', 'integer')
    .execute();
  for (const [name, columns] of [
    ['attribution_by_result', ['site', 'result_row_id']],
    ['attribution_by_target', ['site', 'to_receipt']],
    ['attribution_by_source', ['site', 'from_receipt']],
  ] as const) {
    await db.schema
      .createIndex(name)
      .on('attribution')
      .columns([...columns])
      .execute();
  }
  const proposed = [
    'id',
    'site',
    'result_row_id',
    'to_receipt',
    'to_label',
    'seen_receipt',
    'seen_container',
    'seen_lot',
    'seen_by',
    'reason',
    'proposed_by',
    'proposed_name',
    'proposed_at',
  ];
  const decided = [
    'from_receipt',
    'from_label',
    'state',
    'decided_at',
    'signature_id',
    'result_revision',
  ];
  await keepRows(db, 'attribution');
  // Decided once; behind that only what its validity was last judged by goes on.
  await guardRows(db, {
    table: 'attribution',
    action: 'update',
    when: [
      ...proposed.map((column) => `new.${column} is distinct from old.${column}`),
      ...decided.map(
        (column) => `(old.state <> 'open' and new.${column} is distinct from old.${column})`,
      ),
    ].join(' or '),
    message: 'attribution rows are kept as written',
  });

  await db.schema
    .createTable('container_rejection')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('container_key', 'text', (c) => c.notNull())
    .addColumn('container_label', 'text', (c) => c.notNull())
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('investigation', 'text', (c) => c.notNull())
    .addColumn('signature_id', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('split_off_to', 'text')
    .addColumn('split_off_at', 'bigint')
    .addColumn('split_off_by', 'text')
    .execute();
  await db.schema
    .createIndex('container_rejection_by_receipt')
    .on('container_rejection')
    .columns(['site', 'receipt_id'])
    .execute();
  const written = [
    'id',
    'site',
    'receipt_id',
    'container_key',
    'container_label',
    'reason',
    'investigation',
    'signature_id',
    'at',
  ];
  await keepRows(db, 'container_rejection');
  // ERP confirms once that it is split off.
  await guardRows(db, {
    table: 'container_rejection',
    action: 'update',
    when: [
      'old.split_off_to is not null',
      ...written.map((column) => `new.${column} is distinct from old.${column}`),
    ].join(' or '),
    message: 'container_rejection rows are kept as written',
  });
}

function keepRows(db: Kysely<unknown>, table: string): Promise<void> {
  const message = `${table} rows are kept as written`;
  return dialectOf(db).guardRows(db, { table, action: 'delete', message });
}

/** A result that was sent anew under another receipt may have to be withdrawn again: once for each revision. */
async function withdrawEachRevision(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('withdrawal_each')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('result_row_id', 'text', (c) => c.notNull())
    .addColumn('result_id', 'text', (c) => c.notNull())
    .addColumn('result_revision', 'integer', (c) => c.notNull())
    .addColumn('receipt_id', 'text')
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('document', 'text', (c) => c.notNull())
    .addColumn('issued_at', 'bigint', (c) => c.notNull())
    .addUniqueConstraint('withdrawal_of_revision', ['result_row_id', 'result_revision'])
    .execute();
  const columns =
    'id, site, result_row_id, result_id, result_revision, receipt_id, reason, document, issued_at';
  await sql
    .raw(`insert into withdrawal_each (${columns}) select ${columns} from withdrawal`)
    .execute(db);
  await db.schema.dropTable('withdrawal').execute();
  await db.schema.alterTable('withdrawal_each').renameTo('withdrawal').execute();
  await db.schema
    .createIndex('withdrawal_by_receipt')
    .on('withdrawal')
    .columns(['site', 'receipt_id'])
    .execute();
  const message = 'withdrawal rows are kept as written';
  for (const action of ['update', 'delete'] as const) {
    await dialectOf(db).guardRows(db, { table: 'withdrawal', action, message });
  }
}
