import { afterAll, afterEach, vi } from 'vitest';
import { tidyUp } from './after-each.js';

/** Setup of every test file. */
afterEach(tidyUp);

// The next file of the process begins with the environment that this one found.
const found = { ...process.env };
afterAll(() => {
  vi.unstubAllEnvs();
  for (const name of Object.keys(process.env)) if (!(name in found)) delete process.env[name];
  Object.assign(process.env, found);
});
