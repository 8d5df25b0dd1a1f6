import { sql } from 'kysely';
import type { OpenDatabase } from '../../src/storage/database.js';

/** True once a session on this PostgreSQL database waits for a lock that another one holds. */
export async function somebodyWaits({ db }: Pick<OpenDatabase, 'db'>): Promise<boolean> {
  const { rows } = await sql<{ waits: boolean }>`
    select exists (select 1 from pg_stat_activity
      where datname = current_database() and wait_event_type = 'Lock') as waits`.execute(db);
  return rows[0]?.waits === true;
}
