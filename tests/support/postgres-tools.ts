import { execFileSync } from 'node:child_process';
import { describe, expect, test } from 'vitest';

function whichIsAbsent(): string | null {
  for (const name of ['pg_dump', 'pg_restore']) {
    try {
      execFileSync(name, ['--version'], { stdio: 'ignore' });
    } catch {
      return name;
    }
  }
  return null;
}

/**
 * A `describe` that runs PostgreSQL's own `pg_dump` and `pg_restore` (Debian package postgresql-client). Where one
 * is absent the block shows up as not run; with `CI=true` its absence is a failure.
 */
export function describeWithPostgresTools(name: string, define: () => void): void {
  const absent = whichIsAbsent();
  if (absent === null) {
    describe(name, define);
    return;
  }
  const mustExist = process.env['CI'] === 'true';
  describe(`${name} (${absent} is absent)`, () => {
    test.skipIf(!mustExist)('is copied by the programs of PostgreSQL', () => {
      expect.fail(
        `${absent} (Debian package postgresql-client) is absent, and CI=true requires it`,
      );
    });
  });
}
