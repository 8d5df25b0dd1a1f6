import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { StatementWorld } from '../statements/statement-world.js';
import { type DrainLook, DrainWatch } from './harness/drain-watch.js';
import { countUnderWay } from './harness/under-way.js';

const WELL: DrainLook = { isClean: true, effects: 40, underWay: 0 };
const EVERY_MS = 300;

/** Looks every 300 ms: when it was over, and how. */
function watch(at: (ms: number) => DrainLook, msMax = 120_000) {
  const watched = new DrainWatch();
  for (let ms = 0; ms <= msMax; ms += EVERY_MS) {
    const standing = watched.see(at(ms), 7_000 + ms);
    if (standing !== 'goes-on') return { standing, ms };
  }
  return { standing: 'goes-on', ms: msMax };
}

describe('a trial whose faults are over', () => {
  it('ends soon when the books are right and nothing is under way', () => {
    expect(watch(() => WELL)).toEqual({ standing: 'drained', ms: 1800 });
  });

  it('does not end while a worker that died holds something, whose end may spoil the books', () => {
    // Declared dead after 10 s, and sent once more: the destination has it twice.
    const double = (ms: number) =>
      ms < 12_000
        ? { ...WELL, underWay: 1 }
        : { isClean: false, effects: WELL.effects + 1, underWay: 0 };
    expect(watch(double)).toMatchObject({ standing: 'stuck' });
    const once = (ms: number) => ({ ...WELL, underWay: ms < 12_000 ? 1 : 0 });
    expect(watch(once)).toEqual({ standing: 'drained', ms: 13_800 });
  });

  it('does not wait for ever for what waits for a person, nor for what never stands still', () => {
    expect(watch(() => ({ ...WELL, underWay: 3 }))).toEqual({ standing: 'drained', ms: 15_300 });
    const restless = (ms: number) => ({ ...WELL, underWay: 1 + ((ms / EVERY_MS) % 2) });
    expect(watch(restless)).toEqual({ standing: 'drained', ms: 30_300 });
  });

  it('counts from the last thing that came to light', () => {
    const late = (ms: number) => ({ ...WELL, effects: ms < 1200 ? 40 : 41 });
    expect(watch(late)).toEqual({ standing: 'drained', ms: 3000 });
    const wrong = (ms: number) => ({ ...WELL, isClean: ms !== 1200 });
    expect(watch(wrong)).toEqual({ standing: 'drained', ms: 3300 });
  });

  it('is stuck when something is wrong and nothing moves any more', () => {
    expect(watch(() => ({ ...WELL, isClean: false }))).toEqual({ standing: 'stuck', ms: 60_300 });
  });
});

describe('what is under way', () => {
  it('is whatever is still to be sent, asked about or settled, and nothing else', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    await world.measure({ container: 'D-01' });
    const { db } = world.database;
    const count = () => countUnderWay(async (text) => (await sql.raw(text).execute(db)).rows);
    await db.updateTable('delivery').set({ state: 'confirmed' }).execute();
    expect(await count()).toBe(0);
    const { id } = await db.selectFrom('delivery').select('id').limit(1).executeTakeFirstOrThrow();
    for (const [state, underWay] of [
      ['due', 1],
      ['building', 1],
      ['sending', 1],
      ['uncertain', 1],
      ['accepted', 0],
      ['parked', 0],
      ['rejected', 0],
      ['superseded', 0],
      ['cancelled', 0],
    ] as const) {
      await db.updateTable('delivery').set({ state }).where('id', '=', id).execute();
      expect(await count(), state).toBe(underWay);
    }
  });
});
