import { afterEach, describe, expect, it } from 'vitest';
import { closingStory, dockStories } from './support/dock-stories.js';
import { FaultWorld } from './support/fault-world.js';

/** Steps of a result on its way, as `src/step.ts` numbers them, each with the occurrence to die at. */
const KILLS: readonly (readonly [step: string, nth: number])[] = [
  ['S1', 5],
  ['S2', 5],
  ['S3', 5],
  ['S4', 5],
  ['S5', 4],
  ['S6', 4],
  ['S7', 4],
  ['S8', 3],
  ['S9', 3],
  ['S10', 6],
  ['S11', 6],
  ['S12', 6],
  ['S13', 3],
  ['S14', 12],
];

const NOTHING_WRONG = { lost: 0, double: 0, outOfOrder: 0, different: 0, wrongRelease: 0 };

let world: FaultWorld | undefined;

afterEach(async () => {
  await world?.close();
  world = undefined;
});

describe('a gateway killed under load', () => {
  it.each(KILLS)('loses, doubles and reorders nothing when it dies at %s', async (step, nth) => {
    const living = await FaultWorld.open();
    world = living;
    await living.start({ step, nth });
    const stories = dockStories();
    await living.announce(stories);
    await living.live(stories);
    expect(await living.waitFor(() => living.deaths === 1, 15_000)).toBe(true);
    await living.live([closingStory()]);
    const good = stories.flatMap((s) => s.receipts).filter((r) => r.expected === 'conforms');
    const released = () =>
      good.every((r) => living.erp.ledger.books.receipts.get(r.id)?.usage === 'released');
    const isRight = () => released() && living.judge().findings.length === 0;
    await living.untilDrained(isRight, 40_000);
    expect(await living.underWay()).toBe(0);
    expect(living.judge()).toMatchObject({ sinks: NOTHING_WRONG, findings: [] });
    expect(released()).toBe(true);
    expect(living.deaths).toBe(1);
  });
});
