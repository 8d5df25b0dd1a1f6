import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** What a sealer writes on an entry, all of it at once and once. */
const SEAL = ['sequence', 'algorithm', 'hash', 'sealed_at'];
const SAID = [
  'id',
  'site',
  'at',
  'zone',
  'actor_kind',
  'actor',
  'source',
  'action',
  'subject_kind',
  'subject_id',
  'reason',
  'before',
  'after',
];

/** Entries are sealed into a chain and a tree; checkpoints of both are kept, and so are reviews. */
export async function up(db: Kysely<unknown>): Promise<void> {
  const table = (name: string) => db.schema.createTable(name);
  for (const [name, type] of [
    ['algorithm', 'text'],
    ['hash', 'text'],
    ['sealed_at', 'bigint'],
  ] as const) {
    await db.schema.alterTable('audit_entry').addColumn(name, type).execute();
  }
  await db.schema
    .createIndex('audit_entry_by_sequence')
    .unique()
    .on('audit_entry')
    .columns(['site', 'sequence'])
    .where(sql.ref('sequence'), 'is not', null)
    .execute();
  await db.schema
    .createIndex('audit_entry_unsealed')
    .on('audit_entry')
    .columns(['site', 'at', 'id'])
    .where(sql.ref('sequence'), 'is', null)
    .execute();
  await guardSeal(db);

  await table('trail_head')
    .addColumn('site', 'text', (c) => c.primaryKey())
    .addColumn('size', 'bigint', (c) => c.notNull())
    .addColumn('hash', 'text', (c) => c.notNull())
    .addColumn('peaks', 'text', (c) => c.notNull())
    .addColumn('sealed_at', 'bigint', (c) => c.notNull())
    .addColumn('worker', 'text')
    .addColumn('fence', 'integer', (c) => c.notNull())
    .addColumn('key_id', 'text')
    .addColumn('checkpoint_size', 'bigint', (c) => c.notNull())
    .addColumn('checkpoint_at', 'bigint', (c) => c.notNull())
    .addColumn('checkpoint_digest', 'text')
    .execute();
  await guard(db, 'trail_head', 'update', 'new.size < old.size or new.site <> old.site');
  await guard(db, 'trail_head', 'delete');

  await table('trail_checkpoint')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('size', 'bigint', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('document', 'text', (c) => c.notNull())
    .addPrimaryKeyConstraint('trail_checkpoint_pk', ['site', 'size'])
    .execute();
  await guard(db, 'trail_checkpoint', 'update');
  await guard(db, 'trail_checkpoint', 'delete');

  await table('trail_review')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('first', 'bigint', (c) => c.notNull())
    .addColumn('last', 'bigint', (c) => c.notNull())
    .addColumn('root', 'text', (c) => c.notNull())
    .addColumn('findings', 'text', (c) => c.notNull())
    .addColumn('reviewer', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('document', 'text', (c) => c.notNull())
    .addColumn('digest', 'text', (c) => c.notNull())
    .addColumn('signature', 'text', (c) => c.notNull())
    .execute();
  await db.schema
    .createIndex('trail_review_by_site')
    .on('trail_review')
    .columns(['site', 'last'])
    .execute();
  await guard(db, 'trail_review', 'update');
  await guard(db, 'trail_review', 'delete');
}

/** In place of the guard that knew only some of the columns and no seal. */
async function guardSeal(db: Kysely<unknown>): Promise<void> {
  const { name } = dialectOf(db);
  const on = name === 'postgresql' ? ' on audit_entry' : '';
  await sql.raw(`drop trigger audit_entry_no_update${on}`).execute(db);
  const isChanged = SAID.map((column) => `new.${column} is distinct from old.${column}`);
  const isHalfSealed = SEAL.map((column) => `new.${column} is null`);
  await dialectOf(db).guardRows(db, {
    table: 'audit_entry',
    action: 'update',
    when: ['old.sequence is not null', ...isChanged, ...isHalfSealed].join(' or '),
    message: 'audit entries are kept as written',
  });
}

async function guard(
  db: Kysely<unknown>,
  table: string,
  action: 'update' | 'delete',
  when?: string,
): Promise<void> {
  const message = `${table} rows are kept as written`;
  const condition = when === undefined ? {} : { when };
  await dialectOf(db).guardRows(db, { table, action, message, ...condition });
}
