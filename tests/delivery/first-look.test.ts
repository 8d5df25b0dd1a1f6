import { expect, it } from 'vitest';
import { setPause } from '../../src/delivery/destination-control.store.js';
import { Bench, SITE } from './northquay-bench.js';
import { Sink } from './sink.js';

it('begins no transaction for what is due at a destination that is paused', async () => {
  const sink = await Sink.start({ honoursKey: true });
  const bench = await Bench.open({ baseUrl: sink.url, honoursKey: true });
  // The destination's row comes with the first claim.
  await bench.enqueue({ subjectId: 'before' });
  await bench.service.workOnce('lims');
  const id = await bench.enqueue({ subjectId: 'a' });
  await bench.service.buildDue('lims');
  const pause = { paused: 1, reason: 'maintenance', kept: null } as const;
  await bench.database.transact((trx) => setPause(trx, { site: SITE, name: 'lims' }, pause));
  let writes = 0;
  bench.beforeWrite = async () => {
    writes += 1;
  };
  await bench.service.workOnce('lims');
  expect([writes, sink.sends()]).toEqual([0, 1]);
  await bench.database.db.updateTable('destination').set({ paused: 0 }).execute();
  await bench.service.workOnce('lims');
  expect(writes).toBeGreaterThan(0);
  expect((await bench.row(id)).state).toBe('accepted');
});
