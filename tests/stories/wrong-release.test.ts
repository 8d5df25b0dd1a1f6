import { afterEach, describe, expect, it } from 'vitest';
import { addMs, formatInstant, type Instant, parseTimestamp } from '../../src/formats/instant.js';
import { expectationCsv } from '../../src/simulation/expectation-rows.js';
import { judge } from '../../src/simulation/judge.js';
import { ERP_FIELDS } from '../../src/simulation/northquay-fields.js';
import type { Substance } from '../../src/simulation/published-shifts.js';
import { type RandomSource, seededRandom } from '../../src/simulation/seeded-random.js';
import type { DrumPhase, StoryReceipt } from '../../src/simulation/story.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type WorldOptions } from '../support/gateway-world.js';
import { replacing } from '../support/site-edits.js';
import { erpUsage, found, toldErp } from './observe.js';

/**
 * Rule 31: the stand-in ERP releases by the published rule and issues stock, and the judge compares that with what
 * lay in which drum. The story of the restored backup, judged the same way, stands in `restored-backup.test.ts`.
 * A seed says which drum is wrong and what is in it.
 */

/** Each story opens a database of its own, which takes a server its time. */
const SEEDS = process.env['TEST_PAIR'] === 'postgresql' ? [1] : [1, 2];
const WRONG: readonly Substance[] = ['naphthalene', 'sulfur', 'cyclohexane'];
const LONG_AGO = '2026-01-01T00:00:00.000000Z';
const ISSUES_AFTER_MS = 250;

let world: GatewayWorld | null = null;

afterEach(async () => {
  await world?.close();
  world = null;
});

/** One story's dock, drums and dice. */
class Stage {
  readonly dock: Dock;
  readonly #phases = new Map<string, DrumPhase[]>();
  readonly #receipts: StoryReceipt[] = [];

  constructor(
    readonly world: GatewayWorld,
    readonly random: RandomSource,
  ) {
    this.dock = new Dock(world);
  }

  /** A receipt line whose drums hold what it says, but one. */
  receipt(n: number, wrong: { readonly drum: number; readonly holds: Substance } | null) {
    const plain = receiptOf(n);
    const drums = plain.drums.map((drum, i) =>
      i === wrong?.drum ? { ...drum, holds: wrong.holds } : drum,
    );
    // In these stories one that came with a wrong drum conforms at no time.
    const expected = wrong === null ? ('conforms' as const) : ('does-not-conform' as const);
    return this.add({ ...plain, drums, expected });
  }

  add(receipt: StoryReceipt): StoryReceipt {
    this.#receipts.push(receipt);
    for (const { label, holds } of receipt.drums) {
      this.#phases.set(label, [{ from: LONG_AGO, holds }]);
    }
    return receipt;
  }

  wrong(): { readonly drum: number; readonly holds: Substance } {
    return { drum: this.pick([0, 1]), holds: this.pick(WRONG) };
  }

  pick<T>(of: readonly T[]): T {
    return of[Math.floor(this.random() * of.length)] as T;
  }

  /** Somebody puts something else into a drum. */
  swap(label: string, holds: Substance): void {
    const from = formatInstant(this.world.clock.now());
    this.#phases.get(label)?.push({ from, holds });
  }

  /** Measures what really lies in a drum. */
  measure(
    serial: string,
    receipt: StoryReceipt,
    label: string,
    how: Parameters<Dock['measure']>[3] = {},
  ) {
    const holds = this.#phases.get(label)?.at(-1)?.holds;
    return this.dock.measure(serial, receipt, label, { ...(holds && { holds }), ...how });
  }

  /** Lets ERP do all that it would do by itself: pull, release, wait, pull again, issue. */
  async erpActs(): Promise<void> {
    await this.world.quiet();
    for (let round = 0; round < 2; round += 1) {
      await this.world.erp.releases.round();
      await new Promise((resolve) => setTimeout(resolve, ISSUES_AFTER_MS));
      await this.world.erp.releases.round();
    }
    await this.world.quiet();
  }

  wrongReleases(): readonly string[] {
    const held = this.world.erp.ledger.books;
    const books = { ...held, receipts: [...held.receipts.values()] };
    const { findings } = judge({ receipts: this.#receipts, measured: [], drums: this.#phases }, [
      { name: 'erp', kind: 'honours', books, fields: ERP_FIELDS, refusesDeclared: false },
    ]);
    return findings.filter((f) => f.startsWith('wrongRelease'));
  }

  issued(receipt: StoryReceipt): readonly string[] {
    return this.world.erp.ledger.books.receipts.get(receipt.id)?.issuedContainers ?? [];
  }
}

async function stage(seed: number, options: WorldOptions = {}): Promise<Stage> {
  world = await GatewayWorld.open(options);
  return new Stage(world, seededRandom(seed));
}

const [FIRST, SECOND] = EAST;

describe.each(SEEDS)('rule 31: by seed %i nothing wrong is released', (seed) => {
  it('and what is right is: every drum of a lot that passed', async () => {
    const play = await stage(seed);
    const receipt = play.receipt(1, null);
    await play.dock.conform(receipt);
    await play.erpActs();
    expect(play.wrongReleases()).toEqual([]);
    expect([...play.issued(receipt)].sort()).toEqual(receipt.drums.map((d) => d.label));
  });

  it('and the judge would have seen it, had a drum been changed behind a true pass', async () => {
    const play = await stage(seed);
    const receipt = play.receipt(1, null);
    await play.dock.conform(receipt);
    play.swap(receipt.drums[0]?.label ?? '', play.wrong().holds);
    await play.erpActs();
    expect(play.wrongReleases().length).toBeGreaterThan(0);
  });

  it('a fail on a handheld that has not synced', async () => {
    const play = await stage(seed);
    const wrong = play.wrong();
    const receipt = play.receipt(1, wrong);
    await play.dock.announce(receipt);
    const bad = receipt.drums[wrong.drum]?.label ?? '';
    play.measure(SECOND, receipt, bad);
    // On the handheld that does sync, the neighbour was measured twice, once under the label of the bad drum.
    const holds = 'paracetamol' as const;
    for (const { label } of receipt.drums) play.measure(FIRST, receipt, label, { holds });
    await play.dock.sync(FIRST);
    await play.erpActs();
    expect(play.issued(receipt)).toEqual([]);
    await play.dock.sync(SECOND);
    await play.world.says(receipt.id, 'does-not-conform');
    await play.erpActs();
    expect(play.wrongReleases()).toEqual([]);
    expect(erpUsage(play.world, receipt.id)).toBe('blocked');
  });

  it('a second shipment of a lot that conformed', async () => {
    const play = await stage(seed);
    const first = play.receipt(1, null);
    await play.dock.conform(first);
    const { siteLot, supplierLot } = first;
    const wrong = play.wrong();
    const second = play.add({ ...play.receipt(2, wrong), siteLot, supplierLot });
    await play.dock.announce(second);
    await play.erpActs();
    expect(play.issued(first)).toHaveLength(2);
    expect(play.issued(second)).toEqual([]);
    expect(play.wrongReleases()).toEqual([]);
  });

  it('a lot typed wrongly: the neighbour passes under the label of the bad drum', async () => {
    const play = await stage(seed);
    const wrong = play.wrong();
    const receipt = play.receipt(1, wrong);
    await play.dock.announce(receipt);
    for (const { label } of receipt.drums) {
      const says = {
        container: { scanned: label, entry: 'typed' as const },
        receipt: { scanned: receipt.scanText, entry: 'typed' as const },
      };
      play.measure(FIRST, receipt, label, { holds: 'paracetamol', says });
    }
    for (const serial of EAST) await play.dock.sync(serial);
    await play.erpActs();
    const statement = await play.world.statement(receipt.id);
    expect(statement.outcome).toBe('incomplete');
    expect(statement.conditions).toContainEqual(
      expect.objectContaining({ code: 'labels-verified', state: 'unmet' }),
    );
    expect(play.issued(receipt)).toEqual([]);
    expect(play.wrongReleases()).toEqual([]);
  });

  it('a drum of one material tested by the method of what it really holds', async () => {
    const play = await stage(seed);
    const wrong = { drum: play.pick([0, 1]), holds: 'naphthalene' as const };
    const receipt = play.receipt(1, wrong);
    await play.dock.announce(receipt);
    for (const [i, { label }] of receipt.drums.entries()) {
      play.measure(FIRST, receipt, label, i === wrong.drum ? { picks: 'NQ-1002' } : {});
    }
    for (const serial of EAST) await play.dock.sync(serial);
    await play.erpActs();
    expect((await play.world.statement(receipt.id)).outcome).toBe('incomplete');
    expect(play.issued(receipt)).toEqual([]);
    expect(play.wrongReleases()).toEqual([]);
  });

  it('a stop against a conforms that is held up on the way and arrives behind it', async () => {
    const late = { kind: 'store-late', ms: 2500 } as const;
    const play = await stage(seed, {
      erpPulls: false,
      erp: { byOrdinal: [], byBody: [{ holds: ['USE-PERMITTED'], act: late }] },
    });
    const receipt = play.receipt(1, null);
    await play.dock.announce(receipt);
    await play.dock.measureAll(receipt);
    await play.world.says(receipt.id, 'conforms');
    await play.world.until('the conforms is on its way', async () => {
      const sending = await play.world.db
        .selectFrom('delivery')
        .select('id')
        .where('destination', '=', 'erp')
        .where('message', '=', 'statement')
        // An earlier statement may be on its way as well.
        .where('barrier', '=', 1)
        .where('state', 'in', ['sending', 'uncertain'])
        .execute();
      return sending.length > 0;
    });
    const bad = receipt.drums[play.wrong().drum]?.label ?? '';
    play.swap(bad, play.wrong().holds);
    play.measure(SECOND, receipt, bad, { at: play.world.clock.now() });
    await play.dock.sync(SECOND);
    const { url, key } = play.world;
    play.world.erp.releases.setGateway({ url, key });
    await play.world.says(receipt.id, 'does-not-conform');
    await play.world.until('the conforms arrived after all', () =>
      toldErp(play.world, receipt.id).includes('USE-PERMITTED'),
    );
    await play.erpActs();
    expect(toldErp(play.world, receipt.id).indexOf('USE-PERMITTED')).toBeGreaterThan(0);
    expect(play.issued(receipt)).toEqual([]);
    expect(play.wrongReleases()).toEqual([]);
    expect(erpUsage(play.world, receipt.id)).toBe('blocked');
  });

  it('a bundle with the fail that is lost on its way', async () => {
    const play = await stage(seed);
    const wrong = play.wrong();
    const receipt = play.receipt(1, wrong);
    await play.dock.announce(receipt);
    play.measure(FIRST, receipt, receipt.drums[wrong.drum]?.label ?? '');
    play.dock.pack(FIRST);
    for (const { label } of receipt.drums) {
      play.measure(FIRST, receipt, label, { holds: 'paracetamol' });
    }
    for (const serial of EAST) await play.dock.sync(serial);
    await play.erpActs();
    expect((await play.world.statement(receipt.id)).outcome).toBe('incomplete');
    expect(play.issued(receipt)).toEqual([]);
    expect(play.wrongReleases()).toEqual([]);
  });

  it('a receipt whose drums bear one label twice', async () => {
    const play = await stage(seed);
    const wrong = { drum: 1, holds: play.wrong().holds };
    const receipt = play.receipt(1, wrong);
    const [drum] = receipt.drums;
    const twice = {
      ...receipt,
      drums: [drum, drum].map((d) => d ?? { label: '', holds: 'sulfur' as const }),
    };
    const csv = expectationCsv([twice], play.dock.receivedAt, play.world.site.timeZone);
    const answer = await play.world.announce(csv);
    expect(answer.status).toBe(422);
    for (const { label } of twice.drums) play.measure(FIRST, receipt, label);
    for (const serial of EAST) await play.dock.sync(serial);
    await play.erpActs();
    expect(play.issued(receipt)).toEqual([]);
    expect(play.wrongReleases()).toEqual([]);
  });

  it('a drum that is measured until it passes', async () => {
    const play = await stage(seed);
    const wrong = play.wrong();
    const receipt = play.receipt(1, wrong);
    await play.dock.announce(receipt);
    const bad = receipt.drums[wrong.drum]?.label ?? '';
    play.measure(play.pick(EAST), receipt, bad);
    play.measure(play.pick(EAST), receipt, bad);
    for (const { label } of receipt.drums) {
      play.measure(FIRST, receipt, label, { holds: 'paracetamol' });
    }
    for (const serial of play.pick([EAST, [...EAST].reverse()])) await play.dock.sync(serial);
    await play.world.says(receipt.id, 'does-not-conform');
    await play.erpActs();
    expect(play.issued(receipt)).toEqual([]);
    expect(play.wrongReleases()).toEqual([]);
  });

  it('a late failed performance check: the handheld had passed a wrong drum', async () => {
    const play = await stage(seed, { performanceChecks: true });
    const receipt = play.receipt(1, play.wrong());
    await play.dock.announce(receipt);
    await play.dock.sync(SECOND);
    play.dock.check(FIRST);
    for (const { label } of receipt.drums) {
      play.measure(FIRST, receipt, label, { holds: 'paracetamol' });
    }
    const measured = play.dock.pack(FIRST);
    // Further off than the tolerance of the site, and adjusted again.
    play.dock.check(FIRST, 4);
    const failed = play.dock.pack(FIRST);
    play.dock.check(FIRST);
    const passed = play.dock.pack(FIRST);
    const order = play.pick([
      [measured, failed, passed],
      [measured, passed, failed],
      [passed, measured, failed],
    ]);
    for (const bundle of order) {
      await play.world.take(bundle);
      await play.erpActs();
      expect((await play.world.statement(receipt.id)).outcome).toBe('incomplete');
      expect(play.issued(receipt)).toEqual([]);
    }
    expect(play.wrongReleases()).toEqual([]);
  });

  it('nor held back for good: right drums are issued once the check behind them passed', async () => {
    const play = await stage(seed, { performanceChecks: true });
    const receipt = play.receipt(1, null);
    await play.dock.announce(receipt);
    play.dock.check(FIRST);
    for (const { label } of receipt.drums) play.measure(FIRST, receipt, label);
    for (const serial of EAST) await play.dock.sync(serial);
    await play.erpActs();
    expect(play.issued(receipt)).toEqual([]);
    play.dock.check(FIRST);
    await play.dock.sync(FIRST);
    await play.world.says(receipt.id, 'conforms');
    await play.erpActs();
    expect(play.issued(receipt)).toHaveLength(2);
    expect(play.wrongReleases()).toEqual([]);
  });

  it('a mapping that would let an aborted measurement permit', async () => {
    const permits = (values: string) => `  - { at: /IdentityMessage/Body/${values} }`;
    const usage = permits('UsageDecision, values: [USE-PERMITTED]');
    const accepts = replacing(usage, `${usage}\n${permits('Decision, values: [ABORTED]')}`);
    await expect(GatewayWorld.open({ edits: { 'erp.mapping.yaml': accepts } })).rejects.toThrow(
      /release-vocabulary: .*aborted/,
    );
  });

  it('the autumn hour that comes twice: measured in the first, received in the second', async () => {
    const play = await stage(seed);
    const [early, right] = [play.receipt(1, play.wrong()), play.receipt(2, null)];
    const received = at('2026-10-25T01:20:00+00:00');
    const csv = expectationCsv([early, right], received, play.world.site.timeZone);
    expect((await play.world.announce(csv)).status).toBe(200);
    // By the clock on the wall 01:40 is later than 01:20; of these two one was forty minutes earlier.
    const first = at('2026-10-25T01:40:00+01:00');
    const second = at('2026-10-25T01:40:00+00:00');
    const holds = 'paracetamol' as const;
    for (const [i, { label }] of early.drums.entries()) {
      play.measure(FIRST, early, label, { holds, at: addMs(first, i * 1000) });
    }
    for (const [i, { label }] of right.drums.entries()) {
      play.measure(FIRST, right, label, { at: addMs(second, i * 1000) });
    }
    const bundle = await play.dock.sync(FIRST);
    await play.dock.sync(SECOND);
    const tooEarly = bundle.findings.filter((f) => f.code === 'time-before-receipt');
    expect(tooEarly.map((f) => f.pointer)).toEqual([
      '/results/0/measuredAt',
      '/results/1/measuredAt',
    ]);
    await play.world.says(right.id, 'conforms');
    await play.erpActs();
    expect((await play.world.statement(early.id)).outcome).toBe('incomplete');
    expect(play.issued(early)).toEqual([]);
    expect(play.issued(right)).toHaveLength(2);
    expect(play.wrongReleases()).toEqual([]);
  });

  it('a clock whose zone nobody knows: measured before the goods came, by an offset that was assumed', async () => {
    const play = await stage(seed);
    const [early, right] = [play.receipt(1, play.wrong()), play.receipt(2, null)];
    await play.dock.announce(early);
    await play.dock.announce(right);
    // What the clock showed with the offset of the site would be after goods receipt; it ran in another zone.
    const says = { timeSource: 'assumed' } as const;
    for (const { label } of early.drums) {
      play.measure(FIRST, early, label, { holds: 'paracetamol', says });
    }
    for (const { label } of right.drums) play.measure(FIRST, right, label);
    const bundle = await play.dock.sync(FIRST);
    await play.dock.sync(SECOND);
    expect(bundle.findings.filter((f) => f.code === 'time-assumed')).toHaveLength(2);
    expect(bundle.state).toBe('accepted');
    await play.world.says(right.id, 'conforms');
    await play.erpActs();
    const statement = await play.world.statement(early.id);
    expect(found(statement, 'coverage').found).toContain('not certainly after goods receipt');
    expect(play.issued(early)).toEqual([]);
    expect(play.issued(right)).toHaveLength(2);
    expect(play.wrongReleases()).toEqual([]);
  });
});

function at(text: string): Instant {
  const parsed = parseTimestamp(text);
  if (!parsed) throw new Error(`${text} is no timestamp`);
  return parsed.instant;
}
