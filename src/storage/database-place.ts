import { createHash } from 'node:crypto';
import { readFileSync, statSync } from 'node:fs';

/**
 * A digest of where a database lives. A copy of it lives elsewhere and is recognised by that (rule 28); a folder
 * that is moved or mounted elsewhere with its files is the same place. So is the file that a copy was written into: that is
 * seen of the mark beside it (`recogniseCopy`).
 */
export function sqlitePlace(file: string): string {
  const { ino } = statSync(file, { bigint: true });
  return digest(`sqlite ${ino} ${machineId()}`);
}

/** How a connection to PostgreSQL is asked for its place. */
type Ask = (text: string) => Promise<{ readonly rows: readonly unknown[] }>;

/**
 * As `sqlitePlace`: the cluster, its timeline (another after each recovery and promotion) and the database. The timeline is
 * that of the log that is written: the one of the last checkpoint stays what it was for minutes after a promotion.
 */
export async function postgresPlace(ask: Ask): Promise<string> {
  const { rows } = await ask(`
    select d.oid::text as oid, s.system_identifier::text as system,
      ('x' || left(pg_walfile_name(pg_current_wal_lsn()), 8))::bit(32)::int8::text as timeline
    from pg_database d, pg_control_system() s
    where d.datname = current_database()`);
  const [row] = rows as readonly { oid: string; system: string; timeline: string }[];
  if (row === undefined) throw new Error('the database does not know itself');
  return digest(`postgresql ${row.system} ${row.timeline} ${row.oid}`);
}

/**
 * Watches where new connections of a process lead. One that leads elsewhere than the first may find facts of a life before,
 * so it is known before anything is read or written over it.
 */
export class PlaceWatch {
  #first: string | null = null;
  #isElsewhere = false;

  /** True once a connection led to another place; never false again. */
  get isElsewhere(): boolean {
    return this.#isElsewhere;
  }

  async look(ask: Ask): Promise<void> {
    const place = await postgresPlace(ask);
    this.#first ??= place;
    if (place !== this.#first) this.#isElsewhere = true;
  }
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
