import { afterEach, expect, it, vi } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { LocalBells } from '../../src/queue/local-bells.js';
import { ManualClock } from '../support/temp-database.js';

afterEach(() => {
  vi.useRealTimers();
});

it('rings no fraction of a millisecond before what comes due', async () => {
  vi.useFakeTimers();
  const clock = new ManualClock();
  const errors: unknown[] = [];
  const bells = new LocalBells(clock, (_bell, error) => errors.push(error));
  const due = addMs(clock.now(), 10.4);
  const looks: boolean[] = [];
  bells.answer('receipts', async () => {
    looks.push(clock.now() >= due);
    return { nextDueAt: clock.now() >= due ? null : due };
  });
  bells.ring('receipts');
  await vi.advanceTimersByTimeAsync(0);
  for (let ms = 0; ms < 11; ms += 1) {
    clock.advance(1);
    await vi.advanceTimersByTimeAsync(1);
  }
  expect(looks).toEqual([false, true]);
  expect(errors).toEqual([]);
});
