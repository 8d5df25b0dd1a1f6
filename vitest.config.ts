import { readdirSync, readFileSync } from 'node:fs';
import { availableParallelism } from 'node:os';
import { join } from 'node:path';
import { defineConfig } from 'vitest/config';

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

const common = { testTimeout: 30_000, hookTimeout: 30_000, pool: 'forks' } as const;

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
          exclude: ['tests/faults/**', `tests/**/*${ONLY_POSTGRES}`],
        },
      },
      {
        test: {
          ...common,
          name: 'postgresql',
          include: onPostgres,
          env: { TEST_PAIR: 'postgresql' },
          globalSetup: ['tests/support/postgres-run.ts'],
          setupFiles: ['tests/support/postgres-needed.ts'],
        },
      },
    ],
  },
});
