import { expect, it } from 'vitest';
import { until } from '../support/until.js';
import { Bench } from './northquay-bench.js';
import { Sink } from './sink.js';

/** One more than one claim takes, so that two claims are made at once. */
const CONFORMS = 9;

it('what one claim took leaves also when the claim beside it failed', async () => {
  const sink = await Sink.start();
  const b = await Bench.open({
    baseUrl: sink.url,
    timing: { inFlightMax: 32, deadlineMs: 20_000 },
  });
  const ids: string[] = [];
  for (let i = 0; i < CONFORMS; i += 1) {
    await b.announce(`R-${i}`);
    ids.push(await b.state(1, 'conforms', `R-${i}`));
  }
  await b.service.buildDue('lims');
  let writes = 0;
  b.beforeWrite = () => {
    writes += 1;
    return writes === 2
      ? Promise.reject(new Error('the connection was lost (simulated)'))
      : Promise.resolve();
  };
  await expect(b.service.workOnce('lims')).rejects.toThrow('the connection was lost');
  b.beforeWrite = null;
  const states = await Promise.all(ids.map(async (id) => (await b.row(id)).state));
  expect(states.filter((state) => state === 'sending')).toEqual([]);
  await b.service.workOnce('lims');
  expect(sink.entries.map((e) => e.reference).sort()).toEqual([...ids].sort());
  for (const id of ids) expect(await b.history(id)).toEqual(['send accepted']);
});

it('what one claim took leaves while the claim beside it still waits', async () => {
  const sink = await Sink.start();
  const b = await Bench.open({
    baseUrl: sink.url,
    timing: { inFlightMax: 32, deadlineMs: 20_000 },
  });
  for (let i = 0; i < CONFORMS; i += 1) {
    await b.announce(`R-${i}`);
    await b.state(1, 'conforms', `R-${i}`);
  }
  await b.service.buildDue('lims');
  let writes = 0;
  let lockIsFree: () => void = () => undefined;
  const waits = new Promise<void>((resolve) => {
    lockIsFree = resolve;
  });
  b.beforeWrite = () => {
    writes += 1;
    return writes === 2 ? waits : Promise.resolve();
  };
  const working = b.service.workOnce('lims');
  await until('the first claim has left', () => sink.sends() === CONFORMS - 1);
  lockIsFree();
  await working;
  expect(sink.sends()).toBe(CONFORMS);
});
