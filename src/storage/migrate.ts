import { type Kysely, Migrator } from 'kysely';
import { Misconfigured } from '../errors.js';
import { dialectOf } from './dialect.js';
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
  const migrator = new Migrator({
    db,
    provider: { getMigrations: () => Promise.resolve({ ...migrations }) },
  });
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
  const applied = new Set(await appliedMigrations(db));
  const unknown = [...applied].filter((name) => !(name in migrations));
  if (unknown.length > 0) {
    throw new Misconfigured('database-newer', { found: unknown.join(', ') });
  }
  return Object.keys(migrations).filter((name) => !applied.has(name));
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

/** Read from the table itself: the migrator would first look at every column of every table, at each start. */
async function appliedMigrations(db: Kysely<Tables>): Promise<readonly string[]> {
  if (!(await dialectOf(db).hasTable(db, 'kysely_migration'))) return [];
  const rows = await (db as unknown as Kysely<{ kysely_migration: { name: string } }>)
    .selectFrom('kysely_migration')
    .select('name')
    .orderBy('name')
    .execute();
  return rows.map((r) => r.name);
}
