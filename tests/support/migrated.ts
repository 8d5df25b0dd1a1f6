import { sql } from 'kysely';
import { expect } from 'vitest';
import { type DatabasePlace, openDatabase } from '../../src/storage/database.js';
import { migrations } from '../../src/storage/migrations/index.js';
import { writerOf } from './temp-database.js';

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
