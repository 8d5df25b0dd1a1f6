import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { Kysely, SqliteDialect } from 'kysely';
import type { Instant } from '../../src/formats/instant.js';
import { addMs, instantFromMillis } from '../../src/formats/instant.js';
import type { Clock } from '../../src/storage/clock.js';
import {
  type ClockedDatabase,
  type DatabasePlace,
  databaseFile,
  openDatabase,
} from '../../src/storage/database.js';
import { SharedPostgresDialect } from '../../src/storage/dialect-postgres.js';
import { openPool } from '../../src/storage/postgres-pool.js';
import type { Tables } from '../../src/storage/tables.js';
import { afterEveryTest } from './after-each.js';
import { makeBlankDatabase, onServer, takeServerDatabase } from './postgres-server.js';

/** Which of the two databases this run is about; every test that opens one runs on both. */
export const isPostgres = process.env['TEST_PAIR'] === 'postgresql';

const opened: (() => Promise<void>)[] = [];

afterEveryTest(async () => {
  for (const close of opened.splice(0)) await close();
});

/** A folder that is gone after the test. */
export function temporaryDirectory(): string {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-test-'));
  opened.push(() => Promise.resolve(rmSync(directory, { recursive: true, force: true })));
  return directory;
}

let migrated: Promise<Buffer> | null = null;

/** Migrating takes longer than many a test: each worker does it once, as it does on a server. */
function migratedFile(): Promise<Buffer> {
  migrated ??= migrateOnce();
  return migrated;
}

async function migrateOnce(): Promise<Buffer> {
  const dataDirectory = mkdtempSync(join(tmpdir(), 'drumline-test-'));
  const database = await openDatabase({ dataDirectory, databaseUrl: null });
  await database.close();
  const bytes = readFileSync(databaseFile(dataDirectory));
  rmSync(dataDirectory, { recursive: true, force: true });
  return bytes;
}

/** Where an empty database may be opened, beside a data folder, until it is released. */
export async function takePlace(
  dataDirectory: string,
): Promise<DatabasePlace & { release(): Promise<void> }> {
  if (!isPostgres) {
    mkdirSync(dataDirectory, { recursive: true, mode: 0o700 });
    writeFileSync(databaseFile(dataDirectory), await migratedFile(), { mode: 0o600 });
    return { dataDirectory, databaseUrl: null, release: () => Promise.resolve() };
  }
  const { url, release } = await takeServerDatabase();
  return { dataDirectory, databaseUrl: url, release };
}

/** Where an empty database may be opened, with a folder of its own; given back after the test. */
export async function temporaryPlace(): Promise<DatabasePlace> {
  const { release, ...place } = await takePlace(temporaryDirectory());
  opened.unshift(release);
  return place;
}

/** An opened database as another reader sees it: committed rows only. Closed by its `destroy`. */
export function readerOf(place: DatabasePlace): Kysely<Tables> {
  return anotherOpening(place, { readonly: true });
}

/** As `readerOf`, for rows that nothing in the service would write. */
export function writerOf(place: DatabasePlace, how: { timeout?: number } = {}): Kysely<Tables> {
  return anotherOpening(place, { ...how, readonly: false });
}

function anotherOpening(
  place: DatabasePlace,
  how: { readonly: boolean; timeout?: number },
): Kysely<Tables> {
  if (place.databaseUrl === null) {
    const database = new Database(databaseFile(place.dataDirectory), how);
    return new Kysely<Tables>({ dialect: new SqliteDialect({ database }) });
  }
  const pool = openPool({
    url: place.databaseUrl,
    connectionsMax: 2,
    applicationName: 'drumline test',
    isBounded: true,
  });
  return new Kysely<Tables>({ dialect: new SharedPostgresDialect({ pool }) });
}

/** As `temporaryPlace`, never migrated and gone after the test: for what would spoil it for the next. */
export async function blankPlace(): Promise<DatabasePlace> {
  const dataDirectory = temporaryDirectory();
  if (!isPostgres) return { dataDirectory, databaseUrl: null };
  const { name, url } = await makeBlankDatabase();
  opened.unshift(async () => {
    await onServer(`drop database ${name} with (force)`);
  });
  return { dataDirectory, databaseUrl: url };
}

/** A migrated database of its own, closed after the test. */
export async function temporaryDatabase(): Promise<ClockedDatabase> {
  const database = await openDatabase(await temporaryPlace());
  opened.unshift(() => database.close());
  return database;
}

/**
 * The databases of several processes that work on one place: an opening each where that is a server, which a
 * second process could not have of a file. Closed after the test.
 */
export async function databasesOfProcesses(count: number): Promise<ClockedDatabase[]> {
  const place = await temporaryPlace();
  const databases: ClockedDatabase[] = [];
  for (let n = 0; n < count; n += 1) {
    const first = databases[0];
    if (first !== undefined && !isPostgres) databases.push(first);
    else {
      const database = await openDatabase(place);
      opened.unshift(() => database.close());
      databases.push(database);
    }
  }
  return databases;
}

/** A clock that stands still until the test moves it. */
export class ManualClock implements Clock {
  constructor(private current: Instant = instantFromMillis(Date.UTC(2026, 10, 25, 9))) {}

  now(): Instant {
    return this.current;
  }

  advance(ms: number): void {
    this.current = addMs(this.current, ms);
  }
}
