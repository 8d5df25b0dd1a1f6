import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { describe, expect, it } from 'vitest';
import { runDrumline } from '../support/drumline-process.js';
import { opensWhole, tablesIn } from '../support/migrated.js';
import { repositoryRoot } from '../support/shared.js';
import { temporaryDirectory } from '../support/temp-database.js';

const KILL_AT_STATEMENT = pathToFileURL(
  join(repositoryRoot(), 'tests/faults/kill-at-statement.mjs'),
).href;

describe('a gateway killed in the middle of the migration of its SQLite file', () => {
  // Among the first, in the middle, the last, and when only the book of what ran is left to be written.
  it.each([
    'create table "raw_bytes"',
    'create table "delivery"',
    'create trigger audit_entry_no_update',
    'insert into "kysely_migration"',
  ])('at %s leaves nothing, and the next start completes', async (statement) => {
    const dataDirectory = temporaryDirectory();
    const { child, said, ended } = runDrumline(
      ['serve', '--data', dataDirectory, '--port', '0', '--json'],
      {
        node: ['--import', KILL_AT_STATEMENT],
        env: { FAULT_KILL_AT_STATEMENT: statement },
      },
    );
    await ended;
    expect({ signal: child.signalCode, err: said.err }).toEqual({ signal: 'SIGKILL', err: '' });
    const place = { dataDirectory, databaseUrl: null };
    expect(await tablesIn(place)).toEqual([]);
    await opensWhole(place);
  });
});
