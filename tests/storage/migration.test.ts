import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { type DatabasePlace, openDatabase } from '../../src/storage/database.js';
import { opensWhole, tablesIn } from '../support/migrated.js';
import { blankPlace, writerOf } from '../support/temp-database.js';

async function onDatabase(place: DatabasePlace, statement: string): Promise<void> {
  const db = writerOf(place);
  await sql.raw(statement).execute(db);
  await db.destroy();
}

describe('a migration', () => {
  it('that fails leaves nothing, says what is in its way, and runs once that is gone', async () => {
    const place = await blankPlace();
    // One of the last tables that the first migration makes.
    await onDatabase(place, 'create table audit_entry (other text)');
    await expect(openDatabase(place)).rejects.toMatchObject({
      code: 'database-migration-failed',
      found: expect.stringMatching(/0001-spine: .*audit_entry.* already exists/),
    });
    expect(await tablesIn(place)).toEqual(['audit_entry']);
    await onDatabase(place, 'drop table audit_entry');
    await opensWhole(place);
  });
});
