import { describe, expect, it } from 'vitest';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { latestStatement } from '../../src/statements/statements.store.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { AttributionBench } from './attribution-bench.js';

/**
 * Release-safety rule 20: one signature clears a result and refuses the others of its id. What makes it void at the
 * receipt of the one puts the receipts of the others in doubt, in the same transaction.
 */

const OFFSET = { measuredAt: '2026-07-01T12:11:00+02:00' };
const VOID = 'was refused by a signature that is void';
const AT_D1 = {
  receipt: { scanned: 'GR-2', entry: 'scanned' },
  container: { scanned: 'D-1', entry: 'scanned' },
  lot: 'L-2',
} as const;

/** Result R-1 was measured at receipt R-1, and again under its id at R-2, which a reviewer cleared. */
class World {
  private constructor(
    readonly bench: AttributionBench,
    readonly robin: SigningRequest,
    readonly sam: SigningRequest,
    readonly cleared: string,
  ) {}

  static async open(cleared: object = AT_D1): Promise<World> {
    const bench = await AttributionBench.open();
    const robin = await bench.reviews.person('robin');
    const sam = await bench.reviews.person('sam');
    await bench.reviews.settle(goodParts([goodResult(1, OFFSET)]));
    const other = goodResult(1, { ...OFFSET, ...cleared });
    await bench.reviews.settle(goodParts([other], { bundleId: 'B-2' }));
    const world = new World(bench, robin, sam, await bench.reviews.rowId('R-1', 1));
    const answer = await bench.reviews.review('clear', world.cleared, robin);
    expect(answer, JSON.stringify(answer)).toMatchObject({ kind: 'signed' });
    expect(await bench.reviews.states()).toEqual(['R-1 refused', 'R-1 accepted']);
    expect(await world.stored()).not.toContain(VOID);
    return world;
  }

  /** What the last stored revision of R-1 says, without anybody asking. */
  async stored(): Promise<string> {
    const { site } = this.bench.reviews.bench.site;
    const { conditions } = (await latestStatement(this.bench.db, site, 'R-1')) ?? {
      conditions: [],
    };
    return conditions.find((c) => c.code === 'no-open-discrepancy')?.found ?? 'no statement';
  }
}

describe('a receipt whose result was refused by the clearing of another of its id', () => {
  it('is in doubt once the receipt of the other is corrected', async () => {
    const world = await World.open();
    await world.bench.announceSecond({ manufacturer: 'Maker C (simulated)' });
    expect(await world.stored()).toContain(VOID);
  });

  it('is in doubt once the receipt of the other is announced', async () => {
    const world = await World.open({
      ...AT_D1,
      receipt: { scanned: 'GR-9', entry: 'scanned' },
      container: { scanned: 'E-1', entry: 'scanned' },
    });
    await world.bench.announceSecond({
      receiptId: 'R-9',
      scanText: 'GR-9',
      containers: ['E-1', 'E-2'],
    });
    expect(await world.stored()).toContain(VOID);
  });

  it('is in doubt once the other is said to be of another container', async () => {
    const world = await World.open();
    const { bench, cleared, robin, sam } = world;
    const proposal = {
      receiptId: 'R-2',
      seen: { receipt: 'GR-2', container: 'D-2', lot: 'L-2', seenBy: 'Lena (simulated)' },
      reason: 'the handheld lay on the other drum',
    };
    const id = await bench.propose(cleared, robin, proposal);
    expect(await bench.decide(id, sam)).toMatchObject({ kind: 'signed' });
    expect(await world.stored()).toContain(VOID);
  });

  it('is in doubt once the other is held by what a later bundle says', async () => {
    const world = await World.open();
    // The very spectrum once more, said to be of another drum.
    const container = { scanned: 'D-2', entry: 'scanned' } as const;
    const twice = goodResult(2, { ...AT_D1, container }, 1);
    await world.bench.reviews.settle(goodParts([twice], { bundleId: 'B-3' }));
    expect(await world.bench.reviews.states()).toContain('R-1 held');
    expect(await world.stored()).toContain(VOID);
  });

  it('is in doubt once the receipt of the other is split', async () => {
    const world = await World.open();
    const parts = [
      { receiptId: 'R-3', scanText: 'GR-3', containers: ['D-1'] },
      { receiptId: 'R-4', scanText: 'GR-4', containers: ['D-2'] },
    ];
    const of = { receiptId: 'R-2', seen: null, parts };
    const answer = await world.bench.reviews.change((c, trx, by) => c.split(trx, of, by));
    expect(answer).toMatchObject({ ok: true });
    expect(await world.stored()).toContain(VOID);
  });

  it('is in doubt once the container of the other gets a new label', async () => {
    const world = await World.open();
    const of = { receiptId: 'R-2', seen: null, from: 'D-1', to: 'D-7', witness: 'second person' };
    const answer = await world.bench.reviews.change((c, trx, by) => c.relabel(trx, of, by));
    expect(answer).toMatchObject({ ok: true });
    expect(await world.stored()).toContain(VOID);
  });
});
