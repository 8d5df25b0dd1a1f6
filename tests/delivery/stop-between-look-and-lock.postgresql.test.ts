import { expect, it } from 'vitest';
import { lockReceipts } from '../../src/receipts/facts.store.js';
import { somebodyWaits } from '../support/lock-waits.js';
import { until } from '../support/until.js';
import { Bench, SITE } from './northquay-bench.js';
import { Sink } from './sink.js';

/**
 * Rule 21 where transactions do run beside each other: a claim has seen a *conforms* that may leave, and a stop
 * whose transaction began earlier commits before the claim has its lock.
 */
async function aConformsReadyToLeave() {
  const sink = await Sink.start();
  const bench = await Bench.open({ baseUrl: sink.url });
  await bench.announce();
  const id = await bench.state(1, 'conforms');
  await bench.service.buildDue('lims');
  return { bench, sink, id };
}

it('a stop that commits while a claim waits for its receipt keeps the conforms from leaving', async () => {
  const { bench, sink, id } = await aConformsReadyToLeave();
  let working: Promise<unknown> = Promise.resolve();
  await bench.stop(2, 'R-1', async () => {
    working = bench.service.workOnce('lims');
    await until('the claim waits', () => somebodyWaits(bench.database));
  });
  await working;
  expect(await bench.row(id)).toMatchObject({ state: 'cancelled', attempts: 0 });
  expect(sink.sends()).toBe(0);
});

it.each(['stop', 'statement'] as const)(
  'a %s that committed is seen by the claim behind its lock, also while the delivery itself is unchanged',
  async (what) => {
    const { bench, sink, id } = await aConformsReadyToLeave();
    let working: Promise<unknown> = Promise.resolve();
    await bench.database.transact(async (trx) => {
      await lockReceipts(trx, SITE, ['R-1']);
      if (what === 'stop') await bench.insertStop(trx, 'R-1', 2);
      else await bench.insertStatement(trx, 'R-1', 2, 'incomplete');
      working = bench.service.workOnce('lims');
      await until('the claim waits', () => somebodyWaits(bench.database));
    });
    await working;
    expect(await bench.row(id)).toMatchObject({ state: 'due', attempts: 0 });
    expect(sink.sends()).toBe(0);
  },
);

it('a claim passes over a delivery that another transaction is changing, and waits for nothing', async () => {
  const sink = await Sink.start();
  const bench = await Bench.open({ baseUrl: sink.url });
  await bench.announce();
  const held = await bench.enqueue({ subjectId: 'a' });
  const free = await bench.enqueue({ subjectId: 'b' });
  await bench.service.buildDue('lims');
  await bench.database.transact(async (trx) => {
    await trx.updateTable('delivery').set({ reason: 'held' }).where('id', '=', held).execute();
    await bench.service.workOnce('lims');
    expect(sink.entries.map((e) => e.reference)).toEqual([free]);
  });
  await bench.service.workOnce('lims');
  expect(sink.entries.map((e) => e.reference)).toEqual([free, held]);
});
