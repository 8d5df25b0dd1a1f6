import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { ComparisonService } from '../../src/reconciliation/comparison.service.js';
import { closeByEvidence, openDiscrepancy } from '../../src/reconciliation/discrepancies.store.js';
import { ReconciliationService } from '../../src/reconciliation/reconciliation.service.js';
import { siteDay } from '../../src/reconciliation/site-day.js';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';
import { storeBundle } from './store-bundle.js';

async function reportOf(world: StatementWorld, day = '2026-03-04') {
  const period = siteDay(day, world.site.timeZone);
  if (!period) throw new Error('no day');
  const service = new ReconciliationService(
    world.database.db,
    world.clock,
    world.site,
    new ComparisonService(world.database, world.clock, world.site),
  );
  return service.report(period.from, period.to);
}

describe('the reconciliation report', () => {
  it('sets expected against measured against confirmed', async () => {
    const world = await StatementWorld.open();
    await storeBundle(world, 'bundle-1', 'accepted', time('08:50'));
    await storeBundle(world, 'bundle-2', 'refused', time('08:55'));
    await world.conform();
    await world.announce({ receiptId: 'R-2', scanText: 'RC-2', line: '20' });
    await world.measure(
      { container: 'D-01', receipt: 'RC-2' },
      { container: 'X', receipt: 'RC-2', state: 'held' },
    );
    const report = await reportOf(world);
    expect(report.counts).toMatchObject({
      receipts: 2,
      expectedContainers: 4,
      measuredContainers: 3,
      acceptedResults: 3,
      heldResults: 1,
      refusedBundles: 1,
      heldBundles: 0,
      deliveredResults: 2,
      confirmedResults: 2,
      byDestination: [
        { destination: 'lims', delivered: 2, confirmed: 2 },
        { destination: 'erp', delivered: 2, confirmed: 2 },
      ],
    });
    expect(report.statements).toEqual([
      { receiptId: 'R-1', revision: 3, outcome: 'conforms', hasStop: false },
      { receiptId: 'R-2', revision: expect.any(Number), outcome: 'incomplete', hasStop: false },
    ]);
    expect(report.discrepancies.map((d) => `${d.class} ${d.subject}`)).toEqual([
      'held result:row-4',
      'not-expected result:row-4',
      'not-measured container:["R-2","D-02"]',
    ]);
  });

  it('lists what is open of a result that an instrument with a wrong clock dated after its day', async () => {
    const world = await StatementWorld.open();
    await storeBundle(world, 'bundle-1', 'accepted', time('08:50'));
    await world.announce({});
    const at = addMs(world.clock.now(), 400 * 24 * 3_600_000);
    await world.measure({ container: 'D-01', state: 'held', at });
    const today = await reportOf(world);
    expect(today.discrepancies.map((d) => d.class)).toContain('held');
    expect(today.groups.find((g) => g.class === 'held')?.count).toBe(1);
    // Nobody knew of it the day before.
    const before = await reportOf(world, '2026-03-03');
    expect(before.discrepancies.map((d) => d.class)).not.toContain('held');
  });

  it('names what holds a result: its own findings and those of its bundle, remarks left out', async () => {
    const world = await StatementWorld.open();
    await storeBundle(world, 'bundle-1', 'accepted', time('08:50'));
    await world.announce({});
    await world.measure({ container: 'D-01', state: 'held' }, { container: 'D-02', state: 'held' });
    const [first] = await world.database.db
      .selectFrom('result')
      .select(['id', 'bundle_row_id'])
      .orderBy('id')
      .execute();
    const finding = (
      id: string,
      row: string | null,
      severity: 'hold' | 'remark',
      code: string,
    ) => ({
      id,
      site: world.site.site,
      bundle_row_id: first?.bundle_row_id ?? '',
      result_row_id: row,
      code,
      severity,
      pointer: '',
      message: '',
      advice: '',
      numbers: null,
    });
    await world.database.db
      .insertInto('finding')
      .values([
        finding('f1', null, 'hold', 'part-digest'),
        finding('f2', first?.id ?? '', 'hold', 'recheck-disagrees'),
        finding('f3', first?.id ?? '', 'remark', 'label-not-scanned'),
      ])
      .execute();
    const held = (await reportOf(world)).discrepancies.filter((d) => d.class === 'held');
    expect(held.map((d) => d.detail.replace(/^.* is held/, ''))).toEqual([
      ': part-digest, recheck-disagrees',
      ': part-digest',
    ]);
  });

  it('counts a stop, and what came on another day elsewhere', async () => {
    const world = await StatementWorld.open();
    await storeBundle(world, 'bundle-1', 'accepted', time('08:50'));
    await world.conform();
    await world.measure({ container: 'D-01', decision: 'fail' });
    const report = await reportOf(world);
    expect(report.stops).toBe(1);
    expect(report.statements).toMatchObject([{ outcome: 'does-not-conform', hasStop: true }]);
    const other = await reportOf(world, '2026-03-05');
    expect(other.counts).toMatchObject({ receipts: 0, acceptedResults: 0, expectedContainers: 0 });
    expect(other.stops).toBe(0);
  });

  it('rule 16: opens a discrepancy once, keeps it open over days, and closes it by evidence', async () => {
    const world = await StatementWorld.open();
    const gap = {
      site: world.site.site,
      class: 'run-gap',
      subject: 'runs:NQ-R-0001:1:4-5',
      receiptId: null,
      containerLabel: null,
      destination: null,
      scope: { instruments: ['NQ-R-0001'] },
      detail: 'runs 4 to 5',
      openedAt: time('08:00'),
    } as const;
    await world.database.transact(async (trx) => {
      await openDiscrepancy(trx, gap, 'Europe/Berlin');
      await openDiscrepancy(trx, { ...gap, detail: 'again' }, 'Europe/Berlin');
    });
    expect((await reportOf(world)).discrepancies).toMatchObject([
      { class: 'run-gap', detail: 'runs 4 to 5' },
    ]);
    expect((await reportOf(world, '2026-03-06')).discrepancies).toHaveLength(1);
    const close = () =>
      world.database.transact((trx) =>
        closeByEvidence(trx, {
          site: gap.site,
          class: gap.class,
          subject: gap.subject,
          evidence: 'bundle b7',
          closedAt: time('12:00'),
          zone: 'Europe/Berlin',
        }),
      );
    expect(await close()).toBe(true);
    expect(await close()).toBe(false);
    expect((await reportOf(world)).discrepancies).toEqual([]);
    await world.database.transact((trx) => openDiscrepancy(trx, gap, 'Europe/Berlin'));
    expect((await reportOf(world)).discrepancies).toHaveLength(1);
  });
});
