import { type Kysely, Migrator } from 'kysely';
import { Misconfigured } from '../errors.js';
import { migrations } from './migrations/index.js';
import type { Tables } from './tables.js';

/**
 * Brings a database to this version's tables, all or nothing: a migration that was interrupted left nothing
 * behind and runs again from its start. Two processes must not run this at once on one database.
 *
 * @throws Misconfigured `database-newer` when a later version of the service has migrated it,
 *   `database-migration-failed` when something stands in the way of this version's.
 */
export async function migrateToLatest(db: Kysely<Tables>): Promise<void> {
  if ((await pendingMigrations(db)).length === 0) return;
  const migrator = migratorOf(db);
  const { error, results } = await migrator.migrateToLatest();
  if (error === undefined) return;
  const failed = results?.find(({ status }) => status === 'Error')?.migrationName ?? 'migration';
  throw new Misconfigured('database-migration-failed', {
    found: `${failed}: ${error instanceof Error ? error.message : String(error)}`,
    cause: error,
  });
}

/**
 * Names of the migrations that a database still needs.
 *
 * @throws Misconfigured `database-newer` when a later version of the service has migrated it
 */
export async function pendingMigrations(db: Kysely<Tables>): Promise<readonly string[]> {
  const known = new Set(Object.keys(migrations));
  const found = await migratorOf(db).getMigrations();
  const applied = found.filter((m) => m.executedAt).map((m) => m.name);
  const unknown = await appliedButUnknown(db, known, applied);
  if (unknown.length > 0) {
    throw new Misconfigured('database-newer', { found: unknown.join(', ') });
  }
  return found.filter((m) => !m.executedAt).map((m) => m.name);
}

/**
 * For whoever does not migrate: a database of a version before may be worked on by processes of that version.
 *
 * @throws Misconfigured `database-older` when it has tables of one; a database without any is nobody's
 */
export async function refuseOlder(db: Kysely<Tables>): Promise<void> {
  const pending = await pendingMigrations(db);
  if (pending.length === 0 || pending.length === Object.keys(migrations).length) return;
  throw new Misconfigured('database-older', { found: `${pending.join(', ')} to be made` });
}

function migratorOf(db: Kysely<Tables>): Migrator {
  return new Migrator({
    db,
    provider: { getMigrations: () => Promise.resolve({ ...migrations }) },
  });
}

/** `getMigrations` lists only what this version knows; the table itself also names what it does not. */
async function appliedButUnknown(
  db: Kysely<Tables>,
  known: ReadonlySet<string>,
  applied: readonly string[],
): Promise<string[]> {
  if (applied.length === 0) {
    const tables = await db.introspection.getTables({ withInternalKyselyTables: true });
    if (!tables.some((t) => t.name === 'kysely_migration')) return [];
  }
  const rows = await (db as unknown as Kysely<{ kysely_migration: { name: string } }>)
    .selectFrom('kysely_migration')
    .select('name')
    .execute();
  return rows.map((r) => r.name).filter((name) => !known.has(name));
}
