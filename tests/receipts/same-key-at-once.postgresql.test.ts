import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import type { Instant } from '../../src/formats/instant.js';
import { lockReceipts } from '../../src/receipts/facts.store.js';
import { ReceiptChangesService } from '../../src/receipts/receipt-changes.service.js';
import type { ChangeBody } from '../../src/receipts/receipt-json.js';
import { ReceiptRequestsService } from '../../src/receipts/receipt-requests.service.js';
import type { Trx } from '../../src/storage/database.js';
import { announcement, ReviewBench } from '../pipeline/review-bench.js';
import { COMMAND_LINE } from '../support/people.js';

/** A sender that heard nothing sends again, with the same key, while the first request is still waiting for its receipt. */

async function requesting() {
  const bench = await ReviewBench.open();
  const { site, statements, database, clock } = bench.bench;
  const evaluate = (trx: Trx, id: string, now: Instant) =>
    statements.evaluateInTransaction(trx, id, now);
  const changes = new ReceiptChangesService({ site, evaluate }, bench.receipts);
  const requests = new ReceiptRequestsService(database, clock, site.site, bench.receipts, changes);
  return { bench, database, site: site.site, requests };
}

const facts = { actor: COMMAND_LINE, key: 'k-1', ifMatch: null, onlyIfNew: false } as const;

/** Sends two requests that both wait for the receipt, and lets them go on at once. */
async function atOnce<T>(
  { database, site }: Awaited<ReturnType<typeof requesting>>,
  send: () => Promise<T>,
): Promise<T[]> {
  const sent: Promise<T>[] = [];
  await database.transact(async (trx) => {
    await lockReceipts(trx, site, ['R-1']);
    sent.push(send(), send());
    for (let waiting = 0; waiting < 2; ) {
      await sql`select pg_stat_clear_snapshot(), pg_sleep(0.02)`.execute(trx);
      const { rows } = await sql<{ n: number }>`select count(*)::int as n from pg_stat_activity
        where datname = current_database() and wait_event_type = 'Lock'`.execute(trx);
      waiting = rows[0]?.n ?? 0;
    }
  });
  return Promise.all(sent);
}

describe('two requests under one key at the same moment', () => {
  it('are one: what the first did is the answer to both, and is done once', async () => {
    const world = await requesting();
    await world.bench.announce();
    const cancel: ChangeBody = { change: 'cancel', reason: 'sent back' };
    const [one, other] = await atOnce(world, () => world.requests.change('R-1', cancel, facts));
    expect(one).toMatchObject({ kind: 'done' });
    expect(other).toEqual(one);
    const entries = await world.bench.db
      .selectFrom('audit_entry')
      .select('id')
      .where('action', '=', 'receipt.cancelled')
      .execute();
    expect(entries).toHaveLength(1);
  });

  it('are one also where doing it twice would be no fault', async () => {
    const world = await requesting();
    await world.bench.announce();
    const line = announcement({ quantity: '60 kg' });
    const seen = { ...facts, ifMatch: '*' } as const;
    const [one, other] = await atOnce(world, () => world.requests.announce(line, seen));
    expect(one).toMatchObject({ kind: 'done' });
    expect(other).toEqual(one);
  });
});
