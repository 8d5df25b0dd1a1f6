import Database from 'better-sqlite3';
import type { CopyFacts } from './copy-facts.js';

/**
 * Writes a whole and consistent copy of a database that may be in use: one read transaction, beside which its
 * owner goes on writing. `target` must not be there, or be empty.
 */
export function copyConsistently(source: string, target: string): void {
  const db = new Database(source, { readonly: true, fileMustExist: true, timeout: 5_000 });
  try {
    db.prepare('vacuum into ?').run(target);
  } finally {
    db.close();
  }
}

/** What SQLite finds wrong with a file; empty when it is sound. Bounded to the first hundred. */
export function integrityFaults(file: string): readonly string[] {
  const db = new Database(file, { readonly: true, fileMustExist: true });
  try {
    const rows = db.pragma('integrity_check(100)') as readonly { integrity_check: string }[];
    return rows.map((row) => row.integrity_check).filter((text) => text !== 'ok');
  } catch (error) {
    return [error instanceof Error ? error.message : String(error)];
  } finally {
    db.close();
  }
}

/** Reads what a manifest keeps; null when the file is no database of a gateway. */
export function fileFacts(file: string): CopyFacts | null {
  const db = new Database(file, { readonly: true, fileMustExist: true });
  try {
    const text = (query: string) => db.prepare(query).pluck().all() as string[];
    const instance = db.prepare('select id, epoch from instance').get() as
      | { id: string; epoch: number }
      | undefined;
    if (instance === undefined) return null;
    const trail = db
      .prepare('select count(*) as entries, max(sequence) as last from audit_entry')
      .get() as { entries: number; last: number | null };
    return {
      migrations: text('select name from kysely_migration order by name'),
      instance: { id: instance.id, epoch: instance.epoch },
      site: text('select site from site order by activated_at desc limit 1')[0] ?? null,
      trail: { entries: trail.entries, lastSequence: trail.last },
    };
  } catch {
    // Not a database, or not one of a gateway: its tables are not there.
    return null;
  } finally {
    db.close();
  }
}
