import { randomUUID } from 'node:crypto';
import { afterEach, describe, expect, it } from 'vitest';
import { askGateway } from '../../src/simulation/gateway-api.client.js';
import type { MisbehaviourSchedule } from '../../src/simulation/misbehaviour.js';
import { closingStory, dockStories } from './support/dock-stories.js';
import { FaultWorld } from './support/fault-world.js';

const NOTHING_WRONG = { lost: 0, double: 0, outOfOrder: 0, different: 0, wrongRelease: 0 };

/** Every fourth message is stored and never answered. */
const STORES_AND_NEVER_ANSWERS: MisbehaviourSchedule = {
  byBody: [],
  byOrdinal: [
    {
      operation: 'store',
      ordinals: Array.from({ length: 10 }, (_, i) => 4 * i + 2),
      act: { kind: 'store-then-hang' },
    },
  ],
};

let world: FaultWorld | undefined;

afterEach(async () => {
  await world?.close();
  world = undefined;
});

describe('destinations that store and never answer', () => {
  it('hold every result once all the same', async () => {
    const living = await FaultWorld.open({
      lims: STORES_AND_NEVER_ANSWERS,
      erp: STORES_AND_NEVER_ANSWERS,
    });
    world = living;
    await living.start(null);
    const stories = dockStories();
    await living.announce(stories);
    await living.live(stories);
    await living.live([closingStory()]);
    await living.untilDrained(() => living.judge().findings.length === 0, 60_000);
    expect(await living.underWay()).toBe(0);
    expect(living.judge()).toMatchObject({ sinks: NOTHING_WRONG, findings: [] });
  });
});

describe('a bundle that comes again', () => {
  it('is one bundle when it comes a hundred times in parallel, and a conflict with other content', async () => {
    const living = await FaultWorld.open();
    world = living;
    await living.start(null);
    const [story] = dockStories();
    if (!story) throw new Error('the dock has a story');
    await living.announce([story]);
    await living.live([{ ...story, steps: story.steps.filter((step) => step.do !== 'sync') }]);
    const bundle = living.sync('NQ-R-0001');
    const post = (bytes: Uint8Array) =>
      askGateway(living.url, {
        key: living.keys.bundle,
        method: 'POST',
        path: '/api/v1/bundles',
        contentType: 'application/json',
        body: bytes,
        idempotencyKey: randomUUID(),
      });
    const answers = await Promise.all(Array.from({ length: 100 }, () => post(bundle.bytes)));
    expect(answers.every((answer) => answer.status === 202)).toBe(true);
    const ids = new Set(answers.map((answer) => (answer.body as { intakeId: string }).intakeId));
    expect(ids.size).toBe(1);

    const changed = Buffer.from(bundle.bytes.toString().replace('"NQL-8800"', '"NQL-8899"'));
    const other = await post(changed);
    expect(other.status).toBe(202);
    const { intakeId } = other.body as { intakeId: string };
    expect(ids.has(intakeId)).toBe(false);
    const stateOf = async (id: string) => {
      const { body } = await askGateway(living.url, {
        key: living.keys.bundle,
        path: `/api/v1/bundles/${id}`,
      });
      return (body as { state: string }).state;
    };
    expect(await living.waitFor(async () => (await stateOf(intakeId)) === 'held', 10_000)).toBe(
      true,
    );
    expect(await stateOf([...ids][0] ?? '')).toBe('accepted');

    const references = () => living.lims.ledger.books.messages.map((message) => message.reference);
    await living.untilDrained(() => references().length >= bundle.resultIds.length, 20_000);
    expect(await living.underWay()).toBe(0);
    expect(references()).toHaveLength(bundle.resultIds.length);
    expect(new Set(references()).size).toBe(bundle.resultIds.length);
  });
});
