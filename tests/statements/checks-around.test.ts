import { describe, expect, it } from 'vitest';
import type { PerformanceSettings } from '../../src/site/performance-settings.js';
import { checksAround } from '../../src/statements/checks.store.js';
import { bracketOf } from '../../src/statements/performance-bracket.js';
import { site, time } from './conforming-facts.js';
import { performanceCheckRow, StatementWorld } from './statement-world.js';

const set = (site.performance as PerformanceSettings).sets[0];
if (set === undefined) throw new Error('the facts have no tolerances');
const SERIAL = 'NQ-R-0001';

/** The bracket of run 10, which was measured at half past seven, from what the database holds of its instrument. */
async function bracketOfRun(world: StatementWorld): Promise<string> {
  const run = { instrument_serial: SERIAL, run_epoch: 1, run_number: 10 };
  const { db } = world.database;
  const checks = await checksAround(db, world.site.site, [run]);
  const measured = { instrument: SERIAL, epoch: 1, run: 10, measuredAt: time('07:30') };
  return bracketOf(measured, checks, set as never, 120_000).kind;
}

describe('rule 13: the checks that a bracket rests on', () => {
  it('have a failure among them that a pass made before it does not answer, however often that pass came', async () => {
    const world = await StatementWorld.open();
    const { db } = world.database;
    // By its run the pass follows the failure; by its time it was made before.
    const early = performanceCheckRow(SERIAL, 6, time('06:30'));
    await db
      .insertInto('performance_check')
      .values([
        performanceCheckRow(SERIAL, 5, time('07:00'), 'fail'),
        early,
        performanceCheckRow(SERIAL, 20, time('08:00')),
      ])
      .execute();
    expect(await bracketOfRun(world)).toBe('suspended');
    const again = Array.from({ length: 9 }, (_, n) => ({ ...early, id: `again-${n}` }));
    await db.insertInto('performance_check').values(again).execute();
    expect(await bracketOfRun(world)).toBe('suspended');
    // Nor do many passes that are all of that kind.
    const others = [7, 8, 9].flatMap((run) => performanceCheckRow(SERIAL, run, time('06:31')));
    await db.insertInto('performance_check').values(others).execute();
    expect(await bracketOfRun(world)).toBe('suspended');
  });

  it('have none that was answered long ago', async () => {
    const world = await StatementWorld.open();
    const { db } = world.database;
    const rows = [
      performanceCheckRow(SERIAL, 1, time('06:10'), 'fail'),
      ...Array.from({ length: 8 }, (_, n) =>
        performanceCheckRow(SERIAL, n + 2, time(`06:${20 + n}`)),
      ),
      performanceCheckRow(SERIAL, 20, time('08:00')),
    ];
    await db.insertInto('performance_check').values(rows).execute();
    const run = { instrument_serial: SERIAL, run_epoch: 1, run_number: 10 };
    const found = await checksAround(db, world.site.site, [run]);
    expect(found.map((c) => c.run)).toEqual([2, 3, 4, 5, 6, 7, 8, 9, 20, 1_000_000]);
    expect(await bracketOfRun(world)).toBe('closed');
  });
});
