import { type Kysely, sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { type DatabasePlace, openDatabase } from '../../src/storage/database.js';
import { up } from '../../src/storage/migrations/m0025-assumed-offsets.js';
import { StatementWorld } from '../statements/statement-world.js';
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

  it('to what judges assumed offsets has every announced receipt judged anew', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    const { db } = world.database;
    await db.updateTable('receipt').set({ evaluation_due: 0 }).execute();
    await up(db as unknown as Kysely<unknown>);
    const receipts = await db
      .selectFrom('receipt')
      .select(['announced', 'evaluation_due'])
      .execute();
    expect(receipts).toEqual([{ announced: 1, evaluation_due: 1 }]);
  });
});
