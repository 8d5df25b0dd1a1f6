import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { InProcessQueue } from '../../src/queue/in-process.queue.js';
import { anchoredClock } from '../../src/storage/clock.js';

const clock = anchoredClock();

describe('the in-process queue', () => {
  it('never runs a handler twice at once and runs again when rung meanwhile', async () => {
    const queue = new InProcessQueue(clock, failOnError);
    let running = 0;
    let most = 0;
    let runs = 0;
    const done = countdown(3);
    queue.answer('bundles', async () => {
      running += 1;
      most = Math.max(most, running);
      runs += 1;
      if (runs < 3) queue.ring('bundles');
      await new Promise((resolve) => setImmediate(resolve));
      running -= 1;
      done.count();
      return { nextDueAt: null };
    });
    await done.promise;
    await queue.drain();
    expect(most).toBe(1);
    expect(runs).toBe(3);
  });

  it('rings by itself when what it knows of comes due', async () => {
    const queue = new InProcessQueue(clock, failOnError);
    const done = countdown(2);
    queue.answer('receipts', () => {
      done.count();
      return Promise.resolve({ nextDueAt: addMs(clock.now(), 20) });
    });
    await done.promise;
    await queue.drain();
  });

  it('reports a handler that throws and tries again', async () => {
    const errors: unknown[] = [];
    const queue = new InProcessQueue(clock, (_bell, error) => errors.push(error));
    const done = countdown(2);
    queue.answer('bundles', () => {
      done.count();
      return Promise.reject(new Error('once more'));
    });
    await done.promise;
    await queue.drain();
    expect(errors.length).toBeGreaterThanOrEqual(1);
  });

  it('tells a handler that waits for slow work that it was rung meanwhile', async () => {
    const queue = new InProcessQueue(clock, failOnError);
    const looked = countdown(2);
    let looks = 0;
    queue.answer('deliveries:lims', async (ringing) => {
      while (looks < 2) {
        looks += 1;
        looked.count();
        if (looks === 1) queueMicrotask(() => queue.ring('deliveries:lims'));
        if (looks < 2) await ringing.next();
      }
      return { nextDueAt: null };
    });
    await looked.promise;
    await queue.drain();
    expect(looks).toBe(2);
  });

  it('ignores a bell nobody answers, and every bell once it drains', async () => {
    const queue = new InProcessQueue(clock, failOnError);
    queue.ring('deliveries:nowhere');
    let runs = 0;
    queue.answer('bundles', () => {
      runs += 1;
      return Promise.resolve({ nextDueAt: null });
    });
    await new Promise((resolve) => setImmediate(resolve));
    await queue.drain();
    const before = runs;
    queue.ring('bundles');
    await new Promise((resolve) => setImmediate(resolve));
    expect(runs).toBe(before);
  });
});

function failOnError(_bell: string, error: unknown): never {
  throw error;
}

/** Resolves at the nth count. */
function countdown(n: number): { promise: Promise<void>; count: () => void } {
  let resolvePromise: () => void = () => undefined;
  const promise = new Promise<void>((resolve) => {
    resolvePromise = resolve;
  });
  let counted = 0;
  return {
    promise,
    count: () => {
      counted += 1;
      if (counted === n) resolvePromise();
    },
  };
}
