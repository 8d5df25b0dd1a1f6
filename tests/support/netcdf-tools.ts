import { execFileSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';

function isThere(): boolean {
  try {
    // Without a file it says how it is used and fails; what matters is that it can be run.
    execFileSync('ncdump', [], { stdio: 'ignore' });
    return true;
  } catch (error) {
    return (error as NodeJS.ErrnoException).code !== 'ENOENT';
  }
}

/**
 * A `describe` that runs Unidata's `ncdump` (Debian package netcdf-bin). Where it is absent the block shows up
 * as not run; with `CI=true` its absence is a failure.
 */
export function describeWithNcdump(name: string, define: () => void): void {
  if (isThere()) {
    describe(name, define);
    return;
  }
  const mustExist = process.env['CI'] === 'true';
  describe(`${name} (ncdump is absent)`, () => {
    test.skipIf(!mustExist)('are read by ncdump', () => {
      expect.fail('ncdump (Debian package netcdf-bin) is absent, and CI=true requires it');
    });
  });
}

/** What `ncdump` prints of a file of that name. */
export function ncdump(
  bytes: Uint8Array,
  fileName: string,
  options: readonly string[] = [],
): string {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-ncdump-'));
  try {
    const file = join(directory, fileName);
    writeFileSync(file, bytes);
    return execFileSync('ncdump', [...options, file], { encoding: 'utf8' });
  } finally {
    rmSync(directory, { recursive: true, force: true });
  }
}
