import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { claimAsks, isAskDue } from '../../src/delivery/ask.store.js';
import { claimBuilds, isBuildDue } from '../../src/delivery/build.store.js';
import {
  countInFlight,
  hasOpenStop,
  nextDueAt,
  nextStopDueAt,
} from '../../src/delivery/claim.store.js';
import {
  type DueQuery,
  hasFailingStop,
  lockDueDeliveries,
  lookForDue,
  unmoved,
} from '../../src/delivery/due-deliveries.store.js';
import { instantFromMillis } from '../../src/formats/instant.js';
import { type OpenDatabase, openDatabase, type Trx } from '../../src/storage/database.js';

/**
 * What looks for work must not read what is done or what waits for something else, or every delivery would
 * cost more the more there are. SQLite's own plan says which index finds the rows.
 */
const OF = { site: 's', destination: 'd', now: instantFromMillis(0), limit: 8 };
const BUILDS = { ...OF, stopsOnly: false };
const ASKS = { ...OF, stops: false };
const PLAIN: DueQuery = { ...OF, honoursKey: false, stops: false };

const QUERIES: readonly (readonly [string, string, (trx: Trx) => Promise<unknown>])[] = [
  ['builds', 'delivery_to_build', (trx) => claimBuilds(trx, BUILDS, 'w')],
  ['that builds are due', 'delivery_to_build', (trx) => isBuildDue(trx, BUILDS)],
  ['sends', 'delivery_to_send', (trx) => lockDueDeliveries(trx, PLAIN)],
  ['resends', 'delivery_to_send', (trx) => lookForDue(trx, { ...PLAIN, honoursKey: true })],
  ['stops', 'delivery_open_stop', (trx) => lookForDue(trx, { ...PLAIN, stops: true })],
  ['questions', 'delivery_to_ask', (trx) => claimAsks(trx, ASKS, 'w', OF.now)],
  ['that questions are due', 'delivery_to_ask', (trx) => isAskDue(trx, ASKS)],
  ['what is being sent', 'delivery_under_way', (trx) => countInFlight(trx, 's', 'd')],
  ['failing stops', 'delivery_open_stop', (trx) => hasFailingStop(trx, 's', 'd')],
  ['that a stop is open', 'delivery_open_stop', (trx) => hasOpenStop(trx, 's', 'd')],
  ['the next due stop', 'delivery_open_stop', (trx) => nextStopDueAt(trx, 's', 'd', OF.now)],
  ['doubts nobody moves', 'delivery_to_resend', (trx) => unmoved(trx, PLAIN)],
  ['the next due time', 'delivery_due_later', (trx) => nextDueAt(trx, 's', 'd', OF.now)],
];

let directory: string;
let database: OpenDatabase;

beforeEach(async () => {
  directory = mkdtempSync(join(tmpdir(), 'drumline-plans-'));
  database = await openDatabase(directory);
});

afterEach(async () => {
  await database.close();
  rmSync(directory, { recursive: true, force: true });
});

describe('the search for work', () => {
  it.each(QUERIES)('finds %s by the index %s', async (_what, index, run) => {
    const [plan] = await plansOf(run);
    expect(plan?.[0]).toMatch(new RegExp(`USING (?:COVERING )?INDEX ${index} `));
    expect(plan?.join('\n')).not.toMatch(/SCAN|TEMP B-TREE/);
  });

  it('finds what holds a key without reading what went through it before', async () => {
    const [plan] = await plansOf((trx) => lockDueDeliveries(trx, PLAIN));
    expect(plan?.join('\n')).toContain('SEARCH e USING INDEX delivery_holding_key ');
  });
});

/** SQLite's plans of the queries that `run` makes for the first time. */
async function plansOf(run: (trx: Trx) => Promise<unknown>): Promise<string[][]> {
  const prepare = vi.spyOn(Database.prototype, 'prepare');
  let texts: string[];
  try {
    await database.transact(run);
    texts = prepare.mock.calls.map(([text]) => String(text));
  } finally {
    prepare.mockRestore();
  }
  const file = new Database(join(directory, 'drumline.db'), { readonly: true });
  const plans = texts
    .filter((text) => text.startsWith('select'))
    .map((text) => {
      const values = Array.from({ length: text.split('?').length - 1 }, () => 1);
      const rows = file.prepare(`explain query plan ${text}`).all(values);
      return (rows as { readonly detail: string }[]).map((row) => row.detail);
    });
  file.close();
  return plans;
}
