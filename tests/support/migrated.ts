import Database from 'better-sqlite3';
import { Kysely, Migrator, SqliteDialect, sql } from 'kysely';
import { expect } from 'vitest';
import { type DatabasePlace, databaseFile, openDatabase } from '../../src/storage/database.js';
import { dialectOf } from '../../src/storage/dialect.js';
import { SharedPostgresDialect } from '../../src/storage/dialect-postgres.js';
import { migrations } from '../../src/storage/migrations/index.js';
import { openPool } from '../../src/storage/postgres-pool.js';
import type { Tables } from '../../src/storage/tables.js';
import { temporaryDatabase, writerOf } from './temp-database.js';

/** Tables of ours that stand in a database; Kysely's own two are the book of what ran. */
export async function tablesIn(place: DatabasePlace): Promise<string[]> {
  const db = writerOf(place);
  try {
    const found = await db.introspection.getTables();
    return found.map(({ name }) => name).filter((name) => !name.startsWith('kysely_'));
  } finally {
    await db.destroy();
  }
}

/** Every migration has run, and the last table answers. */
export async function opensWhole(place: DatabasePlace): Promise<void> {
  const database = await openDatabase(place);
  const { rows } = await sql<{ name: string }>`select name from kysely_migration`.execute(
    database.db,
  );
  expect(rows.map(({ name }) => name).sort()).toEqual(Object.keys(migrations).sort());
  expect(await database.db.selectFrom('audit_entry').selectAll().execute()).toEqual([]);
  await database.close();
}

/**
 * A blank database as an earlier version left it: with its migrations up to one, and what that version had written. The next
 * opening brings it to this version.
 */
export async function leftAt(
  place: DatabasePlace,
  migration: string,
  write: (db: Kysely<Tables>) => Promise<void>,
): Promise<void> {
  const db = await migratable(place);
  const provider = { getMigrations: () => Promise.resolve({ ...migrations }) };
  const { error } = await new Migrator({ db, provider }).migrateTo(migration);
  if (error !== undefined) throw error;
  await write(db);
  await db.destroy();
}

/** What a migration asks for beyond queries, and no bounds on how long one may take. */
async function migratable({ databaseUrl, dataDirectory }: DatabasePlace): Promise<Kysely<Tables>> {
  if (databaseUrl !== null) {
    const options = { connectionsMax: 2, applicationName: 'drumline test', isBounded: false };
    const pool = openPool({ url: databaseUrl, ...options });
    return new Kysely<Tables>({ dialect: new SharedPostgresDialect({ pool }) });
  }
  const dialect = dialectOf((await temporaryDatabase()).db);
  class Migratable extends SqliteDialect {
    override createAdapter() {
      return Object.assign(super.createAdapter(), { dialect });
    }
  }
  const database = new Database(databaseFile(dataDirectory));
  return new Kysely<Tables>({ dialect: new Migratable({ database }) });
}
