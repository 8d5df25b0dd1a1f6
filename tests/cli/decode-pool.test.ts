import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { DecodePool } from '../../src/cli/decode.pool.js';

let folder: string;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'drumline-decode-'));
});

afterEach(() => {
  rmSync(folder, { recursive: true, force: true });
});

/** A decoder that does what a hostile file might make one do. */
function worker(code: string): string {
  const file = join(folder, 'worker.mjs');
  writeFileSync(file, `export function spectrum({ file }) { ${code} }\n`);
  return file;
}

const ENDLESS = 'if (file === "good") return { ok: true }; for (;;) {}';
const GREEDY =
  'if (file === "good") return { ok: true }; const held = []; for (;;) held.push(Array.from({ length: 10_000 }, (_, i) => ({ i })));';

describe('the pool that decodes foreign bytes', () => {
  it.each([
    ['passes the deadline', ENDLESS, { deadlineMs: 1_500 }, 'bad.jdx: not decoded within 1.5 s'],
    ['takes all memory', GREEDY, { heapMb: 64 }, 'bad.jdx: decoding it took more than 64 MB'],
  ])(
    'refuses a file that %s by name, and takes the next one',
    async (_what, code, limits, message) => {
      const pool = new DecodePool({ site: null, worker: worker(code), ...limits });
      try {
        const task = (file: string) => pool.spectrum({ file, pointsMax: 10 });
        // A thread that is still being started must not be what the deadline meets.
        expect(await task('good')).toEqual({ ok: true, answer: { ok: true } });
        expect(await task('bad.jdx')).toEqual({ ok: false, message });
        expect(await task('good')).toEqual({ ok: true, answer: { ok: true } });
      } finally {
        await pool.close();
      }
    },
  );

  it('lets a surprise through, which is no fault of the file', async () => {
    const pool = new DecodePool({ site: null, worker: worker('throw new TypeError("a defect")') });
    try {
      await expect(pool.spectrum({ file: 'x', pointsMax: 1 })).rejects.toThrow('a defect');
    } finally {
      await pool.close();
    }
  });
});
