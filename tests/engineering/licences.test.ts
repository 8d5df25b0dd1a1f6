import { execFile } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { promisify } from 'node:util';
import { describe, expect, test } from 'vitest';
import { isAllowed } from '../../.ci/licences.mjs';
import { repositoryRoot } from '../support/shared.js';

describe('licence expressions', () => {
  // Grammar and precedence (AND before OR): SPDX Specification 2.3, annex D. Identifiers: SPDX licence list.
  test.each([
    ['MIT', true],
    ['(MIT OR GPL-3.0-only)', true],
    ['GPL-3.0-only OR MIT', true],
    ['MIT AND BSD-3-Clause', true],
    ['MIT AND CC-BY-NC-4.0', false],
    ['MIT OR Apache-2.0 AND CC-BY-NC-4.0', true],
    ['(MIT OR Apache-2.0) AND CC-BY-NC-4.0', false],
    ['CC-BY-NC-SA-4.0', false],
    ['UNLICENSED', false],
    ['SEE LICENSE IN LICENSE.md', false],
    ['none stated', false],
    ['', false],
    ['MIT OR', false],
    ['(MIT', false],
    ['MIT)', false],
  ])('judges %j as %s', (expression, expected) => {
    expect(isAllowed(expression)).toBe(expected);
  });
});

describe('licence check', () => {
  test('looks at every locked package and refuses none', async () => {
    const root = repositoryRoot();
    const lock = JSON.parse(readFileSync(join(root, 'package-lock.json'), 'utf8')) as {
      packages: Record<string, unknown>;
    };
    const run = promisify(execFile)(process.execPath, ['.ci/licences.mjs', '--json'], {
      cwd: root,
    });
    const report = JSON.parse((await run).stdout) as { packages: number; refused: unknown[] };
    expect(report.refused).toEqual([]);
    expect(report.packages).toBe(Object.keys(lock.packages).length - 1);
  });
});
