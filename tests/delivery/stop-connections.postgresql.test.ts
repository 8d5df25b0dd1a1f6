import { sql } from 'kysely';
import { expect, it } from 'vitest';
import { until } from '../support/until.js';
import { Bench } from './northquay-bench.js';
import { Sink } from './sink.js';

/** More transactions than a process has connections for everything but stops. */
const TRANSACTIONS = 12;

it('a stop goes out while every other connection of the process is taken', async () => {
  const sink = await Sink.start();
  const bench = await Bench.open({ baseUrl: sink.url });
  await bench.announce();
  const result = await bench.enqueue({ subjectId: 'a' });
  const stop = await bench.stop(1);
  let begun = 0;
  let letGo: () => void = () => undefined;
  const held = new Promise<void>((resolve) => {
    letGo = resolve;
  });
  const holding = Array.from({ length: TRANSACTIONS }, () =>
    bench.database.transact(async (trx) => {
      await sql`select 1`.execute(trx);
      begun += 1;
      await held;
    }),
  );
  await until('every connection is taken', () => begun === 10);
  let isWorked = false;
  const working = bench.service.workOnce('lims').then(() => {
    isWorked = true;
  });
  await bench.service.workStops('lims');
  expect(sink.entries.map((e) => e.reference)).toEqual([stop]);
  expect([begun, isWorked]).toEqual([10, false]);
  letGo();
  await Promise.all([working, ...holding]);
  expect(sink.entries.map((e) => e.reference)).toEqual([stop, result]);
});
