import fc from 'fast-check';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { StatementRecord } from '../../src/records/statement-record.js';
import type { StoryReceipt } from '../../src/simulation/story.js';
import { type Bundle, Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { areaOf, HANDHELDS, serialOf, withDocks } from './model-docks.js';
import {
  expectErpHolds,
  inOrder,
  openOf,
  type SpokenOf,
  said,
  settledStatement,
  spokenOf,
} from './observe.js';
import {
  eventsOf,
  type ModelCase,
  type ModelEvent,
  type ModelRun,
  ReferenceModel,
} from './reference-model.js';

/**
 * The whole gateway beside a model of a few dozen lines, on random days in random orders. Each day has a dock of its
 * own, with handhelds of its own, so that one world takes them all.
 */

/** Each event waits for every delivery it causes; a server's round trips make that longer. */
const DAYS = process.env['TEST_PAIR'] === 'postgresql' ? 4 : 12;
const ORDERS = 2;
const DOCKS = DAYS * ORDERS;

let world: GatewayWorld;

beforeAll(async () => {
  world = await GatewayWorld.open({ erpPulls: false, edits: { 'site.yaml': withDocks(DOCKS) } });
}, 60_000);

afterAll(async () => {
  await world.close();
});

describe('random days at a dock, in random orders', () => {
  it('are judged as the reference model judges them after every event, and end alike in every order', async () => {
    let dockNumber = 0;
    await fc.assert(
      fc.asyncProperty(days(), async ({ about, orders }) => {
        const ends: unknown[] = [];
        for (const order of orders) {
          const day = new Day(about, dockNumber++);
          ends.push(await day.live(order.map((i) => eventsOf(about)[i] as ModelEvent)));
        }
        for (const end of ends) expect(end).toEqual(ends[0]);
      }),
      // A day that fails has used up its docks: it is reported as it is.
      { numRuns: DAYS, endOnFailure: true },
    );
  }, 300_000);
});

class Day {
  readonly #model: ReferenceModel;
  readonly #receipts: readonly StoryReceipt[];
  readonly #bundles: readonly (readonly Bundle[])[];
  readonly #dock: Dock;
  readonly #ids = new Map<ModelRun, string>();

  constructor(about: ModelCase, n: number) {
    this.#model = new ReferenceModel(about);
    this.#dock = new Dock(world);
    this.#receipts = about.drums.map((drums, receipt) =>
      receiptOf(100 + n * about.drums.length + receipt, {
        area: areaOf(n),
        drums: [...Array(drums).keys()].map((d) => ({
          label: `M${n}-${receipt}-${d}`,
          holds: 'paracetamol',
        })),
      }),
    );
    this.#bundles = about.bundles.map((list, handheld) =>
      list.map((runs) => {
        for (const run of runs) {
          const receipt = this.#receipts[run.receipt] as StoryReceipt;
          const label = receipt.drums[run.drum % receipt.drums.length]?.label ?? '';
          const holds = run.passes ? 'paracetamol' : 'sulfur';
          this.#ids.set(run, this.#dock.measure(serialOf(n, handheld), receipt, label, { holds }));
        }
        return this.#dock.pack(serialOf(n, handheld));
      }),
    );
  }

  /** Lets the events happen, comparing after each; answers what no order may change. */
  async live(events: readonly ModelEvent[]): Promise<unknown> {
    const told: string[] = [];
    for (const event of events) {
      told.push(JSON.stringify(event));
      await this.#happens(event);
      this.#model.happens(event);
      for (const [receipt, { id, drums }] of this.#receipts.entries()) {
        const expected = this.#model.says(receipt);
        if (expected === null) continue;
        const found = await settledStatement(world, id, expected);
        const after = `${id} after ${told.join(', ')}: ${openOf(found)}`;
        expect(said(found), after).toEqual(expected);
        const labels = drums.map(({ label }) => label);
        expect(spokenOf(found), after).toEqual(this.#spokenOf(receipt));
        await expectErpHolds(world, found, labels, after);
      }
    }
    return Promise.all(this.#receipts.map(async ({ id }) => standing(await world.statement(id))));
  }

  /** What a statement has to say of which drum, and by which results. */
  #spokenOf(receipt: number): readonly SpokenOf[] {
    const drums = this.#receipts[receipt]?.drums ?? [];
    return inOrder(
      this.#model.speaksOf(receipt).map((runs, drum) => ({
        label: drums[drum]?.label ?? '',
        resultIds: runs.map((run) => this.#ids.get(run) ?? 'unknown'),
      })),
    );
  }

  async #happens(event: ModelEvent): Promise<void> {
    if (event.kind === 'announce') {
      await this.#dock.announce(this.#receipts[event.receipt] as StoryReceipt);
    } else {
      await world.take(this.#bundles[event.serial]?.[event.bundle] as Bundle);
    }
    await world.quiet();
  }
}

/** Without what depends on whether the receipt ever conformed before. */
function standing({ conditions, containers }: StatementRecord): unknown {
  return {
    conditions: conditions
      .filter((c) => c.code !== 'no-stop-in-force')
      .map((c) => `${c.code} ${c.state}`),
    containers: containers.map((c) => c.state),
  };
}

function days(): fc.Arbitrary<{ readonly about: ModelCase; readonly orders: number[][] }> {
  // Passes are the rule: of random outcomes alone hardly a receipt would ever conform.
  const passes = fc.integer({ min: 0, max: 19 }).map((n) => n > 0);
  const run = fc.record({
    receipt: fc.integer({ min: 0, max: 1 }),
    drum: fc.integer({ min: 0, max: 1 }),
    passes,
  });
  const bundle = fc.array(run, { minLength: 1, maxLength: 4 });
  return fc
    .record({
      drums: fc.array(fc.integer({ min: 1, max: 2 }), { minLength: 2, maxLength: 2 }),
      bundles: fc.array(fc.array(bundle, { minLength: 1, maxLength: 3 }), {
        minLength: HANDHELDS,
        maxLength: HANDHELDS,
      }),
    })
    .map((about) => ({
      ...about,
      bundles: about.bundles.map((list) =>
        list.map((runs) =>
          runs.map((r) => ({ ...r, drum: r.drum % (about.drums[r.receipt] ?? 1) })),
        ),
      ),
    }))
    .chain((about) => {
      const places = eventsOf(about).map((_, i) => i);
      const order = fc.shuffledSubarray(places, { minLength: places.length });
      return fc
        .array(order, { minLength: ORDERS, maxLength: ORDERS })
        .map((orders) => ({ about, orders }));
    });
}
