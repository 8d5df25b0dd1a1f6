import { existsSync, statSync } from 'node:fs';
import { dirname, join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, test } from 'vitest';

const REPOSITORY = resolve(dirname(fileURLToPath(import.meta.url)), '..', '..');

/** Root of this repository, for tests that read its own files. */
export function repositoryRoot(): string {
  return REPOSITORY;
}

/**
 * Folder with the published standards and measured spectra that tests compare against, or null when it is
 * not there: `SHARED_DIR`, by default `../shared` beside the repository.
 */
export function sharedDir(): string | null {
  const directory = resolve(REPOSITORY, process.env['SHARED_DIR'] ?? join('..', 'shared'));
  return existsSync(directory) && statSync(directory).isDirectory() ? directory : null;
}

/**
 * Folder of measured spectra (two-column text): `SPECTRA_DIR`, by default `data/raman/spectra` of the
 * shared folder. Null when it is not there.
 */
export function spectraDir(): string | null {
  const shared = sharedDir();
  const fallback = shared === null ? null : join(shared, 'data', 'raman', 'spectra');
  const directory = process.env['SPECTRA_DIR'] ?? fallback;
  return directory !== null && existsSync(directory) ? resolve(directory) : null;
}

/**
 * A `describe` over the shared folder. Where the folder is absent the block shows up under its name as
 * not run; with `CI=true` its absence is a failure, so that a build can never pass without it unnoticed.
 */
export function describeWithShared(name: string, define: (shared: string) => void): void {
  describeWith(name, sharedDir(), 'SHARED_DIR', define);
}

/** The same over the folder of measured spectra. */
export function describeWithSpectra(name: string, define: (spectra: string) => void): void {
  describeWith(name, spectraDir(), 'SPECTRA_DIR', define);
}

function describeWith(
  name: string,
  directory: string | null,
  variable: string,
  define: (directory: string) => void,
): void {
  if (directory !== null) {
    describe(name, () => define(directory));
    return;
  }
  const mustExist = process.env['CI'] === 'true';
  describe(`${name} (${variable} is absent)`, () => {
    test.skipIf(!mustExist)('reads its reference data', () => {
      expect.fail(`the folder ${variable} points to is absent, and CI=true requires it`);
    });
  });
}
