import { describe, expect, it } from 'vitest';
import { addMs, type Instant, instantFromMillis } from '../../src/formats/instant.js';
import { DatabaseClock } from '../../src/storage/database-clock.js';

const START = instantFromMillis(Date.UTC(2026, 10, 25, 9));

/** A database's clock and this process's counter, both moved by hand. */
class Clocks {
  database: Instant = START;
  monotonic = 5_000;
  /** How long each answer takes, half of it before the database reads its clock. */
  answersMs: number[] = [];
  readonly steps: number[] = [];

  open(): Promise<DatabaseClock> {
    return DatabaseClock.open({
      read: () => {
        const ms = this.answersMs.shift() ?? 0;
        this.pass(ms / 2);
        const read = this.database;
        this.pass(ms / 2);
        return Promise.resolve(read);
      },
      monotonicMillis: () => this.monotonic,
      onStep: (ms) => this.steps.push(ms),
    });
  }

  pass(ms: number): void {
    this.database = addMs(this.database, ms);
    this.monotonic += ms;
  }
}

describe('the clock of the database', () => {
  it('is read by the quickest of its answers and goes on by the counter of the process', async () => {
    const clocks = new Clocks();
    clocks.answersMs = [300, 4, 90];
    const clock = await clocks.open();
    expect(clock.now()).toBe(clocks.database);
    clocks.pass(12_345);
    expect(clock.now()).toBe(clocks.database);
  });

  it('makes up for drift without running back', async () => {
    const clocks = new Clocks();
    const clock = await clocks.open();
    clocks.pass(60_000);
    clocks.monotonic += 40;
    const before = clock.now();
    await clock.follow();
    expect(clock.now()).toBe(before);
    clocks.pass(41);
    expect(clock.now()).toBe(clocks.database);
    expect(clocks.steps).toEqual([]);
  });

  it.each([3_600_000, -3_600_000])('follows a step of %i ms and says so', async (ms) => {
    const clocks = new Clocks();
    const clock = await clocks.open();
    clock.now();
    clocks.database = addMs(clocks.database, ms);
    await clock.follow();
    expect(clock.now()).toBe(clocks.database);
    expect(clocks.steps).toEqual([ms]);
    await clock.follow();
    expect(clocks.steps).toEqual([ms]);
  });

  it('takes an answer that was long under way for none', async () => {
    const clocks = new Clocks();
    const clock = await clocks.open();
    const read = clock.now();
    clocks.database = addMs(clocks.database, 3_600_000);
    clocks.answersMs = [1_500, 1_600, 1_700];
    await clock.follow();
    expect(clock.now()).toBe(addMs(read, 4_800));
    expect(clocks.steps).toEqual([]);
  });
});
