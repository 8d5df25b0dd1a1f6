import { sql } from 'kysely';
import type { OpenDatabase } from '../../src/storage/database.js';
import { dialectOf } from '../../src/storage/dialect.js';
import { spoilTakenDatabases } from './postgres-server.js';

/** Takes a guard of a table away, as whoever owns the database can. */
export async function dropGuard(
  { db }: Pick<OpenDatabase, 'db'>,
  table: string,
  action: 'update' | 'delete',
): Promise<void> {
  spoilTakenDatabases();
  const on = dialectOf(db).name === 'postgresql' ? ` on ${table}` : '';
  await sql.raw(`drop trigger ${table}_no_${action}${on}`).execute(db);
}
