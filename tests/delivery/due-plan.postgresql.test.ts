import pg from 'pg';
import { describe, expect, it, vi } from 'vitest';
import {
  type DueQuery,
  lockDueDeliveries,
  lookForDue,
} from '../../src/delivery/due-deliveries.store.js';
import { instantFromMillis } from '../../src/formats/instant.js';
import { openDatabase, type Trx } from '../../src/storage/database.js';
import { blankPlace } from '../support/temp-database.js';

const OF: DueQuery = {
  site: 's',
  destination: 'd',
  now: instantFromMillis(0),
  limit: 8,
  honoursKey: true,
  stops: false,
};

describe('the search for what is due, planned for a queue that was empty', () => {
  it.each([
    ['at the first look', (trx: Trx) => lookForDue(trx, OF)],
    ['behind the lock', (trx: Trx) => lockDueDeliveries(trx, OF)],
  ])('asks each row by its own key %s, and joins with nothing', async (_when, search) => {
    // One that others used and emptied has pages left, and statistics with them.
    const place = await blankPlace();
    const database = await openDatabase(place);
    const asked = vi.spyOn(pg.Client.prototype, 'query');
    await database.transact(search);
    const texts = asked.mock.calls.map(([query]) => (query as unknown as { text?: string }).text);
    asked.mockRestore();
    await database.close();
    const text = texts.find((each) => each?.startsWith('select "d".')) ?? '';
    const plan = await genericPlanOf(place.databaseUrl ?? '', text);
    expect(plan).toContain('delivery_holding_key');
    expect(plan).not.toMatch(/Join/);
  });
});

/** As a connection plans a statement that it keeps, whatever its values. */
async function genericPlanOf(connectionString: string, text: string): Promise<string> {
  const client = new pg.Client({ connectionString });
  await client.connect();
  try {
    await client.query('set plan_cache_mode = force_generic_plan');
    await client.query(`prepare due as ${text}`);
    const values = Array.from({ length: new Set(text.match(/\$\d+/g)).size }, () => 'null');
    const { rows } = await client.query<{ 'QUERY PLAN': string }>(
      `explain execute due (${values.join(', ')})`,
    );
    return rows.map((row) => row['QUERY PLAN']).join('\n');
  } finally {
    await client.end();
  }
}
