import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import type { Bell, Ringing, WorkQueue } from '../../src/queue/work-queue.js';
import { anchoredClock, type Clock } from '../../src/storage/clock.js';
import { until } from '../support/until.js';

export interface QueueUnderTest {
  open(clock: Clock, onError: (bell: Bell, error: unknown) => void): Promise<WorkQueue>;
}

const NOTHING_DUE = { nextDueAt: null };

/** What every `WorkQueue` keeps, whoever carries its bells. */
export function describeWorkQueue(name: string, under: QueueUnderTest): void {
  const clock = anchoredClock();

  async function withQueue(
    use: (queue: WorkQueue, errors: unknown[]) => Promise<void>,
  ): Promise<void> {
    const errors: unknown[] = [];
    const queue = await under.open(clock, (_bell, error) => errors.push(error));
    try {
      await use(queue, errors);
    } finally {
      await queue.drain();
    }
  }

  describe(`${name} as a work queue`, () => {
    it('gives a handler its first look without being rung', () =>
      withQueue(async (queue, errors) => {
        let looks = 0;
        queue.answer('bundles', async () => {
          looks += 1;
          return NOTHING_DUE;
        });
        await until('the handler looked', () => looks >= 1);
        expect(errors).toEqual([]);
      }));

    it('finds by itself what was rung for before anybody answered', () =>
      withQueue(async (queue) => {
        queue.ring('receipts');
        let looks = 0;
        queue.answer('receipts', async () => {
          looks += 1;
          return NOTHING_DUE;
        });
        await until('the handler looked', () => looks >= 1);
      }));

    it('looks again after a ring, whatever the handler was doing when it came', () =>
      withQueue(async (queue) => {
        // The state a bell speaks of: whoever looks sees it as it is then.
        let committed = 0;
        let seen = 0;
        queue.answer('bundles', async () => {
          const found = committed;
          await turn();
          seen = Math.max(seen, found);
          return NOTHING_DUE;
        });
        for (let n = 1; n <= 50; n += 1) {
          committed = n;
          queue.ring('bundles');
          await turn();
        }
        await until('the last commit was seen', () => seen === 50, WELL_BEFORE_A_SWEEP_MS);
      }));

    it('never runs a handler twice at once, and collapses many rings into few looks', () =>
      withQueue(async (queue) => {
        let running = 0;
        let most = 0;
        let looks = 0;
        let last = 0;
        queue.answer('bundles', async () => {
          running += 1;
          looks += 1;
          most = Math.max(most, running);
          await new Promise((resolve) => setTimeout(resolve, 5));
          running -= 1;
          last = performance.now();
          return NOTHING_DUE;
        });
        for (let n = 0; n < 1_000; n += 1) queue.ring('bundles');
        const rung = performance.now();
        await until('it was looked after', () => last > rung && running === 0);
        expect(most).toBe(1);
        expect(looks).toBeLessThan(10);
      }));

    it('answers each bell with its own handler, side by side', () =>
      withQueue(async (queue) => {
        const looked = new Set<string>();
        let release: () => void = () => undefined;
        const slow = new Promise<void>((resolve) => {
          release = resolve;
        });
        queue.answer('deliveries:lims', async () => {
          looked.add('lims');
          await slow;
          return NOTHING_DUE;
        });
        queue.answer('stops:lims', async () => {
          looked.add('stops');
          return NOTHING_DUE;
        });
        await until('both looked', () => looked.size === 2);
        looked.clear();
        queue.ring('stops:lims');
        await until('the stop was not held up', () => looked.has('stops'), WELL_BEFORE_A_SWEEP_MS);
        release();
      }));

    it('looks at once after a ring that stays here, and once more when it is rung while it looks', () =>
      withQueue(async (queue, errors) => {
        let looks = 0;
        let isFirstOver = false;
        queue.answer('stops:lims', async () => {
          looks += 1;
          if (isFirstOver && looks === 2) queue.ringHere('stops:lims');
          return NOTHING_DUE;
        });
        await until('it has had its first look', () => looks >= 1);
        looks = 1;
        isFirstOver = true;
        queue.ringHere('stops:lims');
        await turn();
        expect(looks).toBe(3);
        expect(errors).toEqual([]);
      }));

    it('reports a handler that throws, and tries again', () =>
      withQueue(async (queue, errors) => {
        let looks = 0;
        queue.answer('bundles', async () => {
          looks += 1;
          if (looks === 1) throw new Error('once more');
          return NOTHING_DUE;
        });
        await until('it was tried again', () => looks >= 2, WELL_BEFORE_A_SWEEP_MS);
        expect(errors.map(String)).toEqual(['Error: once more']);
      }));

    it('looks again when what it knows of comes due, and not before', () =>
      withQueue(async (queue) => {
        const looks: number[] = [];
        queue.answer('receipts', async () => {
          looks.push(performance.now());
          return { nextDueAt: looks.length === 1 ? addMs(clock.now(), 300) : null };
        });
        await until('it looked again', () => looks.length >= 2, WELL_BEFORE_A_SWEEP_MS);
        // Timers keep whole milliseconds, and round down.
        expect((looks[1] ?? 0) - (looks[0] ?? 0)).toBeGreaterThan(290);
      }));

    it('tells a handler that waits for slow work of every new ring', () =>
      withQueue(async (queue) => {
        let committed = 0;
        let seen = 0;
        let isAsleep = false;
        queue.answer('deliveries:lims', async (ringing) => {
          while (seen < 5) {
            seen = Math.max(seen, committed);
            isAsleep = true;
            if (seen < 5) await ringing.next();
            isAsleep = false;
          }
          return NOTHING_DUE;
        });
        for (let n = 1; n <= 5; n += 1) {
          await until('it waits', () => isAsleep);
          committed = n;
          queue.ring('deliveries:lims');
          await until(`ring ${n} was heard`, () => seen >= n, WELL_BEFORE_A_SWEEP_MS);
        }
      }));

    it('counts a ring that came while the handler worked as the next one', () =>
      withQueue(async (queue) => {
        let heard = false;
        let isRung = false;
        queue.answer('deliveries:lims', async (ringing) => {
          if (heard) return NOTHING_DUE;
          queue.ring('deliveries:lims');
          isRung = true;
          await ringing.next();
          heard = true;
          return NOTHING_DUE;
        });
        await until('it rang', () => isRung);
        await until('the ring was heard', () => heard, WELL_BEFORE_A_SWEEP_MS);
      }));

    it('counts a ring that came while the handler was woken by something else', () =>
      withQueue(async (queue) => {
        let committed = 0;
        let seen = 0;
        queue.answer('deliveries:lims', async (ringing) => {
          while (seen < 1) {
            await Promise.race([ringing.next(), turn()]);
            const found = committed;
            if (committed === 0) {
              committed = 1;
              queue.ring('deliveries:lims');
              await new Promise((resolve) => setTimeout(resolve, 20));
            }
            seen = found;
            if (seen < 1) await ringing.next();
          }
          return NOTHING_DUE;
        });
        await until('the commit was seen', () => seen === 1, WELL_BEFORE_A_SWEEP_MS);
      }));

    it('gives the same promise until the next ring', () =>
      withQueue(async (queue) => {
        let asked: Ringing | null = null;
        let release: () => void = () => undefined;
        const end = new Promise<void>((resolve) => {
          release = resolve;
        });
        queue.answer('receipts', async (ringing) => {
          asked ??= ringing;
          await end;
          return NOTHING_DUE;
        });
        await until('it runs', () => asked !== null);
        const ringing = asked as unknown as Ringing;
        const first = ringing.next();
        expect(ringing.next()).toBe(first);
        queue.ring('receipts');
        await first;
        expect(ringing.next()).not.toBe(first);
        release();
      }));

    it('waits at the drain for what runs, and starts nothing after it', async () => {
      const queue = await under.open(clock, () => undefined);
      let looks = 0;
      let ended = 0;
      queue.answer('bundles', async () => {
        looks += 1;
        await new Promise((resolve) => setTimeout(resolve, 50));
        ended += 1;
        return { nextDueAt: addMs(clock.now(), 1) };
      });
      await until('it works', () => looks === 1);
      queue.ring('bundles');
      await queue.drain();
      const atDrain = looks;
      expect(ended).toBe(atDrain);
      queue.ring('bundles');
      await turn();
      await turn();
      expect(looks).toBe(atDrain);
    });

    it('ignores a bell that nobody answers', () =>
      withQueue(async (queue, errors) => {
        queue.ring('deliveries:nowhere');
        await turn();
        expect(errors).toEqual([]);
      }));

    it('has one handler a bell', () =>
      withQueue(async (queue) => {
        queue.answer('bundles', async () => NOTHING_DUE);
        expect(() => queue.answer('bundles', async () => NOTHING_DUE)).toThrow(/already/);
      }));
  });
}

/** A look that comes within this was owed to the ring, not to the sweep every two seconds. */
const WELL_BEFORE_A_SWEEP_MS = 1_400;

function turn(): Promise<void> {
  return new Promise((resolve) => setImmediate(resolve));
}
