import { setTimeout as wait } from 'node:timers/promises';
import { expect, it } from 'vitest';
import { StatementWorld } from '../statements/statement-world.js';

/** Release-safety rule 2: late scans of the whole receipt find one container by its label, whoever relabels when. */

it('gives one label to one container only where two parts of a receipt ask for it at the same moment', async () => {
  const world = await StatementWorld.open();
  await world.announce();
  await world.split();
  const relabel = (receiptId: string, from: string, before: Promise<unknown>) =>
    world.change(async (c, trx, by) => {
      const request = { receiptId, seen: null, from, to: 'X-1', witness: 'second person' };
      const done = await c.relabel(trx, request, by);
      await before;
      return done;
    });
  let end: () => void = () => undefined;
  const held = new Promise<void>((resolve) => {
    end = resolve;
  });
  const first = relabel('R-2', 'D-01', held);
  // Both are under way at once, whichever of them has the locks.
  await wait(200);
  const second = relabel('R-3', 'D-02', Promise.resolve());
  await wait(300);
  end();
  const done = await Promise.all([first, second]);
  expect(done.map(({ ok }) => ok).sort()).toEqual([false, true]);
  const refused = done.find(({ ok }) => !ok);
  expect(JSON.stringify(refused)).toContain('is or was the label of a container of receipt');
});
