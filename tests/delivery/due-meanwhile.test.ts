import { afterEach, expect, it, vi } from 'vitest';
import type { Instant } from '../../src/formats/instant.js';
import { until } from '../support/until.js';
import { Bench, type BenchOptions, TIMING } from './northquay-bench.js';
import { Sink } from './sink.js';

/**
 * What becomes due while it is looked for is seen by that look, or named as what is due next: else only the next sweep
 * would find it, two seconds later.
 */

/** More readings of the clock than a look takes. */
const READINGS = 24;

afterEach(() => {
  vi.restoreAllMocks();
});

async function bench(timing: BenchOptions['timing'] = {}): Promise<{ b: Bench; sink: Sink }> {
  const sink = await Sink.start({ honoursKey: true });
  const b = await Bench.open({ baseUrl: sink.url, honoursKey: true, timing });
  await b.announce();
  return { b, sink };
}

/** The clock passes an instant behind so many of its readings. */
function passesBehind(b: Bench, at: Instant, readings: number): void {
  let read = 0;
  vi.spyOn(b.clock, 'now').mockImplementation(() => {
    read += 1;
    return (at + (read > readings ? 1 : -1)) as Instant;
  });
}

function standsStillAt(b: Bench, at: Instant): void {
  vi.restoreAllMocks();
  b.clock.advance((at + 1 - b.clock.now()) / 1000);
}

it.each(['result', 'stop'] as const)('a read-back of a %s', async (what) => {
  const { b } = await bench();
  const seen = new Set<string>();
  for (let readings = 0; readings < READINGS; readings += 1) {
    const id =
      what === 'stop' ? await b.stop(readings + 1) : await b.enqueue({ subjectId: `r${readings}` });
    const work = () => (what === 'stop' ? b.service.workStops('lims') : b.service.workOnce('lims'));
    await work();
    const at = (await b.row(id)).next_ask_at;
    if (at === null) throw new Error('it was not accepted');
    passesBehind(b, at, readings);
    const { nextDueAt } = await work();
    const isAsked = (await b.history(id)).includes('ask one');
    expect(isAsked ? 'asked' : nextDueAt, `behind ${readings} readings`).toBe(
      isAsked ? 'asked' : at,
    );
    seen.add(isAsked ? 'asked' : 'named');
    standsStillAt(b, at);
    await b.settle();
    expect((await b.row(id)).state).toBe('confirmed');
  }
  expect([...seen]).toEqual(['asked', 'named']);
});

it('a send that waits for Retry-After', async () => {
  const { b, sink } = await bench();
  const seen = new Set<string>();
  for (let readings = 0; readings < READINGS; readings += 1) {
    sink.onSend({ status: 503, retryAfter: '1' });
    const id = await b.enqueue({ subjectId: `r${readings}` });
    await b.service.workOnce('lims');
    const at = (await b.row(id)).due_at;
    passesBehind(b, at, readings);
    const { nextDueAt } = await b.service.workOnce('lims');
    const isSent = (await b.row(id)).attempts === 2;
    expect(isSent ? 'sent' : nextDueAt, `behind ${readings} readings`).toBe(isSent ? 'sent' : at);
    seen.add(isSent ? 'sent' : 'named');
    standsStillAt(b, at);
    await b.settle();
    expect((await b.row(id)).state).toBe('confirmed');
  }
  expect([...seen]).toEqual(['sent', 'named']);
});

it.each(['result', 'stop'] as const)('a %s beside one that is not answered', async (what) => {
  const { b, sink } = await bench({ deadlineMs: 2_000 });
  await b.announce('R-2');
  sink.onSend('hang', { status: 503 });
  const ids =
    what === 'stop'
      ? [await b.stop(1), await b.stop(1, 'R-2')]
      : [await b.enqueue({ subjectId: 'a' }), await b.enqueue({ subjectId: 'b' })];
  const states = async () => {
    const rows = await Promise.all(ids.map((id) => b.row(id)));
    return rows
      .map(({ state, attempts }) => `${state} ${attempts}`)
      .sort()
      .join();
  };
  const working = what === 'stop' ? b.service.workStops('lims') : b.service.workOnce('lims');
  await until('one was refused', async () => (await states()) === 'due 1,sending 1');
  b.clock.advance(TIMING.retryMaxMs);
  await until('it is sent again', async () => (await states()) === 'accepted 2,sending 1');
  expect(sink.sends()).toBe(3);
  await working;
});
