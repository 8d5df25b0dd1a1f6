import { readdirSync, readFileSync } from 'node:fs';
import { availableParallelism } from 'node:os';
import { join } from 'node:path';
import { defineConfig } from 'vitest/config';
import { keepFilesInMemory } from './tests/support/files-in-memory.js';

/** A test file that opens a database by one of these runs once on each of the two. */
const OPENS_A_DATABASE =
  /\b(?:temporaryDatabase|temporaryPlace|blankPlace|databasesOfProcesses|(?:Review|Attribution|Bundle)?Bench\.open|ComparisonWorld\.open|StatementWorld\.open|GatewayWorld\.open)\(/;
const ONLY_POSTGRES = '.postgresql.test.ts';

const all = readdirSync('tests', { recursive: true, encoding: 'utf8' })
  .map((name) => join('tests', name))
  .filter((path) => /\.test\.tsx?$/.test(path) && !path.startsWith(join('tests', 'faults')));
const onPostgres = all.filter(
  (path) => path.endsWith(ONLY_POSTGRES) || OPENS_A_DATABASE.test(readFileSync(path, 'utf8')),
);

/** A test file that puts something else in front of a module needs modules of its own. */
const REPLACES_A_MODULE = /\bvi\.mock\(/;
const alone = all.filter((path) => REPLACES_A_MODULE.test(readFileSync(path, 'utf8')));

keepFilesInMemory();

const common = {
  // Far above what any test takes: a busy machine was seen to need five times as long.
  testTimeout: 60_000,
  hookTimeout: 60_000,
  pool: 'forks' as const,
  // Loading the modules anew for every file took longer than the tests.
  isolate: false,
  setupFiles: ['tests/support/each-file.setup.ts'],
};

export default defineConfig({
  test: {
    ...common,
    // Many tests wait for timers and processes of their own: more of them at once than there are cores.
    maxWorkers: Math.max(3, availableParallelism()),
    globalSetup: ['tests/support/build.ts'],
    projects: [
      {
        test: {
          ...common,
          name: 'sqlite',
          include: ['tests/**/*.test.{ts,tsx}'],
          exclude: ['tests/faults/**', `tests/**/*${ONLY_POSTGRES}`, ...alone],
        },
      },
      { test: { ...common, name: 'alone', include: alone, isolate: true } },
      {
        test: {
          ...common,
          name: 'postgresql',
          include: onPostgres.filter((path) => !alone.includes(path)),
          env: { TEST_PAIR: 'postgresql' },
          globalSetup: ['tests/support/postgres-run.ts'],
          setupFiles: [...common.setupFiles, 'tests/support/postgres-needed.ts'],
        },
      },
    ],
  },
});
