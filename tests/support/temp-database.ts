import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach } from 'vitest';
import type { Instant } from '../../src/formats/instant.js';
import { addMs, instantFromMillis } from '../../src/formats/instant.js';
import type { Clock } from '../../src/storage/clock.js';
import { type OpenDatabase, openDatabase } from '../../src/storage/database.js';

const opened: (() => Promise<void>)[] = [];

afterEach(async () => {
  for (const close of opened.splice(0)) await close();
});

/** A folder that is gone after the test. */
export function temporaryDirectory(): string {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-test-'));
  opened.push(() => Promise.resolve(rmSync(directory, { recursive: true, force: true })));
  return directory;
}

/** A migrated database in a folder of its own, closed after the test. */
export async function temporaryDatabase(): Promise<OpenDatabase> {
  const database = await openDatabase(temporaryDirectory());
  opened.unshift(() => database.close());
  return database;
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
