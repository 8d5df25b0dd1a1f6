import { createHash } from 'node:crypto';
import { readFileSync, statSync } from 'node:fs';
import { sql } from 'kysely';
import type { Db } from './handles.js';

/**
 * A digest of where a database lives. A copy of it lives elsewhere and is recognised by that (rule 28); a folder
 * that is moved or mounted elsewhere with its files is the same place.
 */
export function sqlitePlace(file: string): string {
  const { ino } = statSync(file, { bigint: true });
  return digest(`sqlite ${ino} ${machineId()}`);
}

/**
 * As `sqlitePlace`: the cluster, its timeline (another after each recovery and promotion) and the database. The timeline is
 * that of the log that is written: the one of the last checkpoint stays what it was for minutes after a promotion.
 */
export async function postgresPlace(db: Db): Promise<string> {
  const { rows } = await sql<{ oid: string; system: string; timeline: string }>`
    select d.oid::text as oid, s.system_identifier::text as system,
      ('x' || left(pg_walfile_name(pg_current_wal_lsn()), 8))::bit(32)::int8::text as timeline
    from pg_database d, pg_control_system() s
    where d.datname = current_database()`.execute(db);
  const [row] = rows;
  if (row === undefined) throw new Error('the database does not know itself');
  return digest(`postgresql ${row.system} ${row.timeline} ${row.oid}`);
}

/** Identity of this installation of the operating system; '' where it has none. */
function machineId(): string {
  try {
    return readFileSync('/etc/machine-id', 'utf8').trim();
  } catch {
    // Containers and other systems have none: the file's own number has to do.
    return '';
  }
}

function digest(text: string): string {
  return createHash('sha256').update(text).digest('hex');
}
