import { existsSync } from 'node:fs';
import { type Browser, chromium } from 'playwright-core';
import { describe, expect, test } from 'vitest';

/** Debian's place; another one by `CHROMIUM_PATH`. */
const EXECUTABLE = process.env['CHROMIUM_PATH'] ?? '/usr/bin/chromium';

/**
 * A `describe` that drives Chromium. Where it is absent the block shows up as not run; with `CI=true` its absence is
 * a failure.
 */
export function describeWithChromium(name: string, define: () => void): void {
  if (existsSync(EXECUTABLE)) {
    describe(name, define);
    return;
  }
  const mustExist = process.env['CI'] === 'true';
  describe(`${name} (Chromium is absent)`, () => {
    test.skipIf(!mustExist)('is seen in a browser', () => {
      expect.fail(
        `${EXECUTABLE} is absent (name another by CHROMIUM_PATH), and CI=true requires it`,
      );
    });
  });
}

export function launchChromium(): Promise<Browser> {
  return chromium.launch({
    executablePath: EXECUTABLE,
    args: ['--no-sandbox', '--disable-gpu', '--disable-dev-shm-usage'],
  });
}
