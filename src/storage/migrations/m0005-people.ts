import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** People with roles and sessions, and keys that are renewed while the old secret still works. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await makeAccounts(db);
  await makeSessions(db);

  // Counts tries, not accounts: an unknown name is slowed down as a known one is.
  await db.schema
    .createTable('sign_in_tries')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('subject', 'text', (c) => c.notNull())
    .addColumn('failures', 'integer', (c) => c.notNull())
    .addColumn('last_at', 'bigint', (c) => c.notNull())
    .addColumn('blocked_until', 'bigint')
    .addColumn('turned_away', 'integer', (c) => c.notNull())
    .addPrimaryKeyConstraint('sign_in_tries_pk', ['site', 'subject'])
    .execute();

  for (const [column, type] of [
    ['previous_sha256', 'text'],
    ['previous_until', 'bigint'],
    ['rotated_at', 'bigint'],
  ] as const) {
    await db.schema.alterTable('api_key').addColumn(column, type).execute();
  }
  await sql
    .raw(
      'create unique index api_key_by_previous on api_key (previous_sha256) where previous_sha256 is not null',
    )
    .execute(db);
}

async function makeAccounts(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('account')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('user_name', 'text', (c) => c.notNull())
    .addColumn('user_name_folded', 'text', (c) => c.notNull().unique())
    .addColumn('printed_name', 'text', (c) => c.notNull())
    .addColumn('password', 'text', (c) => c.notNull())
    .addColumn('password_set_at', 'bigint', (c) => c.notNull())
    .addColumn('must_change_password', 'integer', (c) => c.notNull())
    .addColumn('created_at', 'bigint', (c) => c.notNull())
    .addColumn('deactivated_at', 'bigint')
    .execute();
  await db.schema
    .createTable('account_role')
    .addColumn('account_id', 'text', (c) => c.notNull())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('role', 'text', (c) => c.notNull())
    .addColumn('granted_at', 'bigint', (c) => c.notNull())
    .addColumn('granted_by', 'text', (c) => c.notNull())
    .addPrimaryKeyConstraint('account_role_pk', ['account_id', 'site', 'role'])
    .execute();
  // One id on the instruments means one person, now and in every record of the past.
  await db.schema
    .createTable('account_operator')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('operator_folded', 'text', (c) => c.notNull())
    .addColumn('operator_id', 'text', (c) => c.notNull())
    .addColumn('account_id', 'text', (c) => c.notNull())
    .addPrimaryKeyConstraint('account_operator_pk', ['site', 'operator_folded'])
    .execute();
  await db.schema
    .createIndex('account_operator_by_account')
    .on('account_operator')
    .columns(['account_id', 'site'])
    .execute();

  const { guardRows } = dialectOf(db);
  await guardRows(db, {
    table: 'account',
    action: 'delete',
    message: 'accounts are kept: a name in the trail must go on meaning one person',
  });
  await guardRows(db, {
    table: 'account',
    action: 'update',
    when: 'new.id <> old.id or new.user_name_folded <> old.user_name_folded or new.created_at <> old.created_at',
    message: 'a user name belongs to one person for good',
  });
}

async function makeSessions(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('session')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('secret_sha256', 'text', (c) => c.notNull().unique())
    .addColumn('account_id', 'text', (c) => c.notNull())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('started_at', 'bigint', (c) => c.notNull())
    .addColumn('seen_at', 'bigint', (c) => c.notNull())
    .addColumn('expires_at', 'bigint', (c) => c.notNull())
    .addColumn('source', 'text', (c) => c.notNull())
    .addColumn('agent', 'text', (c) => c.notNull())
    .addColumn('ended_at', 'bigint')
    .addColumn('end_reason', 'text')
    .execute();
  await db.schema
    .createIndex('session_by_account')
    .on('session')
    .columns(['account_id', 'started_at'])
    .execute();
  await sql
    .raw('create index session_open on session (site, seen_at) where ended_at is null')
    .execute(db);
  await dialectOf(db).guardRows(db, {
    table: 'session',
    action: 'update',
    when: 'old.ended_at is not null or new.secret_sha256 <> old.secret_sha256 or new.account_id <> old.account_id or new.started_at <> old.started_at or new.expires_at <> old.expires_at',
    message: 'a session that ended stays ended, and none is prolonged past its limit',
  });
}
