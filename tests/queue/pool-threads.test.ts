import { join } from 'node:path';
import { Worker } from 'node:worker_threads';
import { describe, expect, it } from 'vitest';
import { POOL_THREAD_OPTIONS } from '../../src/queue/threads.pool.js';
import { repositoryRoot } from '../support/shared.js';

/**
 * Node 20 ends the whole process, by SIGABRT, when a thread is ended while it loads a module by `require`. Seen with pools
 * that were closed some 100 ms after they were opened; how often it happens depends on the machine, so what is tested is
 * that no thread of a pool can load a module that way.
 */
describe('the threads of pools', () => {
  it('load modules by import alone', async () => {
    const built = join(repositoryRoot(), 'dist', 'mapping', 'field-value.js');
    const code = `
      const { parentPort } = require('node:worker_threads');
      let required = 'loaded';
      try { require(${JSON.stringify(built)}); } catch (error) { required = error.code; }
      import(${JSON.stringify(built)}).then(
        () => parentPort.postMessage({ required, imported: 'loaded' }),
        (error) => parentPort.postMessage({ required, imported: String(error) }),
      );`;
    const worker = new Worker(code, { eval: true, execArgv: [...POOL_THREAD_OPTIONS] });
    const said = await new Promise((resolve, reject) => {
      worker.once('message', resolve);
      worker.once('error', reject);
    });
    await worker.terminate();
    expect(said).toEqual({ required: 'ERR_REQUIRE_ESM', imported: 'loaded' });
  });
});
