import { defineConfig } from 'vitest/config';

/** Real processes that are killed: few at a time, and with time to start again. */
export default defineConfig({
  test: {
    include: ['tests/faults/**/*.test.ts'],
    globalSetup: ['tests/support/build.ts'],
    setupFiles: ['tests/support/each-file.setup.ts'],
    testTimeout: 120_000,
    hookTimeout: 120_000,
    pool: 'forks',
    maxWorkers: 2,
  },
});
