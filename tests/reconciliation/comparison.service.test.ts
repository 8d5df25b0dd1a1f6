import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { attributeResult } from '../../src/receipts/receipts.store.js';
import { ComparisonService } from '../../src/reconciliation/comparison.service.js';
import { openDiscrepancy } from '../../src/reconciliation/discrepancies.store.js';
import { siteDay } from '../../src/reconciliation/site-day.js';
import { time } from '../statements/conforming-facts.js';
import { isPostgres } from '../support/temp-database.js';
import { ComparisonWorld, doStep, historyStep } from './comparison-world.js';
import { storeBundle } from './store-bundle.js';

const DAY = '2026-03-04';

describe('the comparison kept by rounds', () => {
  it('is the same as recomputed from scratch, after any history of events and rounds', async () => {
    await fc.assert(
      fc.asyncProperty(fc.array(historyStep, { minLength: 4, maxLength: 30 }), async (steps) => {
        const world = await ComparisonWorld.open();
        for (const step of steps) await doStep(world, step);
        await world.comparison.catchUp();
        expect(await world.recompute()).toEqual([]);
      }),
      // Each run has a database of its own, which a server takes its time to make.
      { numRuns: isPostgres ? 6 : 25 },
    );
  }, 240_000);

  it.each([
    ['R-1', 'R-2'],
    ['R-2', 'R-1'],
  ])(
    'keeps open what goes with a result from %s to %s, with both compared at once',
    async (from, to) => {
      const world = await ComparisonWorld.open();
      for (const receiptId of [from, to]) {
        await world.world.announce({
          receiptId,
          scanText: receiptId.replace('R', 'RC'),
          line: receiptId,
          containers: ['D-01'],
        });
      }
      const [held, sent] = await world.world.measure(
        { receipt: from.replace('R', 'RC'), container: 'D-01', state: 'held' },
        { receipt: from.replace('R', 'RC'), container: 'D-01' },
      );
      await world.world.setDeliveries('result', 'parked');
      await world.comparison.catchUp();
      const ofResults = async () =>
        (await world.open()).filter((d) => /^(held|parked) /.test(d)).map((d) => d.split(' (')[1]);
      expect(await ofResults()).toEqual([`${from})`, `${from})`, `${from})`]);
      await world.world.database.transact(async (trx) => {
        for (const row of [held, sent]) {
          await attributeResult(trx, 'northquay', row ?? '', {
            receiptId: to,
            containerLabel: 'D-01',
          });
        }
      });
      await world.comparison.catchUp();
      expect(await ofResults()).toEqual([`${to})`, `${to})`, `${to})`]);
      expect(await world.recompute()).toEqual([]);
    },
  );

  it('leaves open what went with a result to a receipt that is compared in a later round', async () => {
    const world = await ComparisonWorld.open();
    const { database, site } = world.world;
    await world.world.announce({ containers: ['D-01'] });
    const [row] = await world.world.measure({ container: 'D-01', state: 'held' });
    await world.comparison.catchUp();
    const held = () =>
      database.db
        .selectFrom('discrepancy')
        .select(['id', 'receipt_id', 'closed_at'])
        .where('class', '=', 'held')
        .execute();
    const [before] = await held();
    // More than one round compares; the old receipt is marked before them, the new one behind them.
    await database.transact((trx) =>
      trx.updateTable('container').set({ required: 0 }).where('receipt_id', '=', 'R-1').execute(),
    );
    await world.world.announce(
      ...Array.from({ length: 45 }, (_, n) => ({
        receiptId: `B-${n}`,
        scanText: `BC-${n}`,
        line: `b${n}`,
        containers: ['D-01'],
      })),
      { receiptId: 'R-2', scanText: 'RC-2', line: '2', containers: ['D-01'] },
    );
    await database.transact((trx) =>
      attributeResult(trx, site.site, row ?? '', { receiptId: 'R-2', containerLabel: 'D-01' }),
    );
    expect(await world.comparison.round()).toMatchObject({ isMore: true });
    expect(await held()).toEqual([before]);
    await world.comparison.catchUp();
    expect(await held()).toEqual([{ ...before, receipt_id: 'R-2' }]);
    expect(await world.recompute()).toEqual([]);
  });

  it('finds and ends what is open about a result that is not there', async () => {
    const world = await ComparisonWorld.open();
    const { database } = world.world;
    await world.world.announce({ containers: ['D-01'] });
    await world.world.measure({ container: 'D-01', state: 'held' });
    await world.comparison.catchUp();
    await database.db
      .updateTable('discrepancy')
      .set({ subject: 'result:row-77' })
      .where('class', '=', 'held')
      .execute();
    expect((await world.recompute()).map((d) => d.what)).toEqual([
      'held result:row-1 is missing',
      'held result:row-77 is open for no reason',
    ]);
    await world.recompute(true);
    expect(await world.recompute()).toEqual([]);
    expect((await world.open()).filter((d) => d.startsWith('held '))).toEqual([
      'held result:row-1 (R-1)',
    ]);
  });

  it('counts nothing on two days after the zone of the site was changed', async () => {
    const world = await ComparisonWorld.open();
    const { database, clock, site } = world.world;
    await world.world.measure({ receipt: 'RC-9', container: 'D-01', at: time('23:30') });
    await world.comparison.catchUp();
    const moved = { ...site, timeZone: 'Pacific/Auckland' };
    const comparison = new ComparisonService(database, clock, moved);
    await comparison.catchUp();
    const days = await database.db.selectFrom('comparison_cell').select('day').execute();
    expect(days.map(({ day }) => day)).toEqual(['2026-03-05']);
  });

  it('moves an overdue delivery along when the receipt of its result is announced', async () => {
    const world = await ComparisonWorld.open();
    await world.world.measure({ container: 'D-01' });
    world.world.clock.advance(16 * 60_000);
    await world.comparison.catchUp();
    const overdue = async () =>
      (await world.open()).filter((d) => d.startsWith('overdue ')).map((d) => d.split(' (')[1]);
    expect(await overdue()).toEqual([')', ')']);
    await world.world.announce({ containers: ['D-01'] });
    await world.comparison.catchUp();
    expect(await overdue()).toEqual(['R-1)', 'R-1)']);
    expect(await world.recompute()).toEqual([]);
  });

  it('finds what differs, names it, and repairs it with a trail entry', async () => {
    const world = await ComparisonWorld.open();
    const { db } = world.world.database;
    await world.world.conform();
    await world.world.measure({ container: 'D-09' }, { receipt: 'RC-7', container: 'D-01' });
    await world.comparison.catchUp();
    expect(await world.recompute()).toEqual([]);
    const before = await world.open();
    await db.updateTable('comparison_cell').set({ accepted: 7 }).execute();
    await db.updateTable('comparison_receipt').set({ measured: 0 }).execute();
    await db
      .updateTable('discrepancy')
      .set({ closed_at: time('09:00'), closing_evidence: 'nothing' })
      .where('class', '=', 'not-expected')
      .execute();
    const differences = await world.recompute();
    expect(differences.map((d) => `${d.receiptId}: ${d.what}`).sort()).toEqual([
      ': counts of 2026-03-04, instrument NQ-R-0001',
      expect.stringMatching(/^: not-expected result:row-\d is missing$/),
      'R-1: counts of 2026-03-04, instrument NQ-R-0001',
      'R-1: counts of 2026-03-04, instrument NQ-R-0001, erp',
      'R-1: counts of 2026-03-04, instrument NQ-R-0001, lims',
      'R-1: counts of its containers',
      expect.stringMatching(/^R-1: not-expected result:row-\d is missing$/),
    ]);
    expect(await world.recompute()).toHaveLength(differences.length);
    await world.recompute(true);
    expect(await world.recompute()).toEqual([]);
    expect(await world.open()).toEqual(before);
    const trail = await db
      .selectFrom('audit_entry')
      .select('action')
      .where('action', '=', 'comparison.repaired')
      .execute();
    expect(trail).toHaveLength(2);
  });

  it('opens and closes discrepancies with evidence that names a row, and says so in the trail', async () => {
    const world = await ComparisonWorld.open();
    await world.world.announce();
    await world.comparison.round();
    expect(await world.open()).toEqual([
      'not-measured container:["R-1","D-01"] (R-1)',
      'not-measured container:["R-1","D-02"] (R-1)',
    ]);
    const [row] = await world.world.measure({ container: 'D-01' });
    await world.comparison.round();
    expect(await world.open()).toEqual(['not-measured container:["R-1","D-02"] (R-1)']);
    const { db } = world.world.database;
    const closed = await db
      .selectFrom('discrepancy')
      .select(['subject', 'closing_evidence'])
      .where('closed_at', 'is not', null)
      .execute();
    expect(closed).toEqual([
      { subject: 'container:["R-1","D-01"]', closing_evidence: `result:${row}` },
    ]);
    const trail = await db
      .selectFrom('audit_entry')
      .select(['subject_id', 'after'])
      .where('action', '=', 'discrepancies.compared')
      .orderBy('id')
      .execute();
    expect(trail.map((t) => JSON.parse(t.after ?? '{}').discrepancies.length)).toEqual([2, 1]);
    expect(trail[1]?.after).toContain(`"evidence":"result:${row}"`);
  });

  it('finds a delivery overdue when its time is over, with nothing changed meanwhile', async () => {
    const world = await ComparisonWorld.open();
    await world.world.announce({ containers: ['D-01'] });
    await world.world.measure({ container: 'D-01' });
    await world.comparison.catchUp();
    expect(await world.open()).toEqual([]);
    expect(await world.comparison.round()).toEqual({ compared: 0, isMore: false });
    world.world.clock.advance(15 * 60_000);
    await world.comparison.catchUp();
    expect(await world.open()).toEqual([]);
    world.world.clock.advance(1);
    await world.comparison.catchUp();
    expect((await world.open()).map((d) => d.split(' ')[0])).toEqual(
      expect.arrayContaining(['overdue', 'overdue']),
    );
    await world.world.setDeliveries('result', 'confirmed');
    await world.comparison.catchUp();
    const open = await world.open();
    expect(open.filter((d) => d.includes('result'))).toEqual([]);
    expect(await world.recompute()).toEqual([]);
  });

  it('finds every delivery overdue before it says that it has caught up, also when very many are at once', async () => {
    const world = await ComparisonWorld.open();
    const receipts = Array.from({ length: 50 }, (_, n) => `B-${n}`);
    await world.world.announce(
      ...receipts.map((receiptId, n) => ({
        receiptId,
        scanText: `BC-${n}`,
        line: `${n}`,
        containers: ['D-01'],
      })),
    );
    const { length: unowned } = await world.world.measure(
      ...receipts.flatMap((_, n) => [
        { receipt: `BC-${n}`, container: 'D-01' },
        { receipt: `nobody-${n}`, container: 'D-01' },
      ]),
    );
    expect(unowned).toBe(100);
    await world.comparison.catchUp();
    world.world.clock.advance(15 * 60_000 + 1);
    await world.comparison.catchUp();
    const open = await world.open();
    const overdue = open.filter((d) => d.startsWith('overdue'));
    const results = await world.world.database.db
      .selectFrom('delivery')
      .select('id')
      .where('state', '=', 'due')
      .execute();
    expect(overdue).toHaveLength(results.length);
    expect(await world.comparison.round()).toEqual({ compared: 0, isMore: false });
  });

  it('counts what belongs to no receipt to the last one, also on a day with very many', async () => {
    const world = await ComparisonWorld.open();
    const { db } = world.world.database;
    await world.world.measure({ receipt: 'nobody', container: 'D-01' });
    const template = await db.selectFrom('result').selectAll().executeTakeFirstOrThrow();
    const at = template.measured_at ?? time('10:00');
    await storeBundle(world.world, template.bundle_row_id, 'accepted', at);
    // Many of one instant, so that it reaches over more than a page, and many without a time.
    const copies = Array.from({ length: 2_400 }, (_, n) => ({
      ...template,
      id: `copy-${String(n).padStart(4, '0')}`,
      result_id: `copy-${n}`,
      measured_at: n % 4 === 0 ? null : addMs(at, n % 4 === 1 ? n : 0),
      instrument_serial: ['NQ-R-0001', 'NQ-R-0002', null][n % 3] ?? null,
      state: n % 5 === 0 ? ('held' as const) : ('accepted' as const),
    }));
    for (let i = 0; i < copies.length; i += 100) {
      await db
        .insertInto('result')
        .values(copies.slice(i, i + 100))
        .execute();
    }
    await world.comparison.catchUp();
    const cells = await db
      .selectFrom('comparison_cell')
      .select(['day', 'instrument', 'accepted', 'held'])
      .where('destination', '=', '')
      .orderBy('instrument')
      .execute();
    expect(cells).toEqual([
      { day: DAY, instrument: '', accepted: 640, held: 160 },
      { day: DAY, instrument: 'NQ-R-0001', accepted: 641, held: 160 },
      { day: DAY, instrument: 'NQ-R-0002', accepted: 640, held: 160 },
    ]);
    expect(await world.recompute()).toEqual([]);
  });

  it('is done with a delivery of an unowned result once the result has an owner', async () => {
    const world = await ComparisonWorld.open();
    const [row] = await world.world.measure({ container: 'D-01', receipt: 'RC-1' });
    await world.comparison.catchUp();
    await world.world.announce({ containers: ['D-01'] });
    await world.world.database.transact((trx) =>
      attributeResult(trx, world.world.site.site, row ?? '', {
        receiptId: 'R-1',
        containerLabel: 'D-01',
      }),
    );
    await world.comparison.catchUp();
    world.world.clock.advance(15 * 60_000 + 1);
    await world.comparison.catchUp();
    expect((await world.open()).filter((d) => d.startsWith('overdue'))).not.toEqual([]);
    expect(await world.comparison.round()).toEqual({ compared: 0, isMore: false });
  });

  it('leaves to the event what an event opened, also when the comparison had found it before', async () => {
    const world = await ComparisonWorld.open();
    await world.world.announce({ containers: ['D-01'] });
    await world.comparison.catchUp();
    const subject = 'container:["R-1","D-01"]';
    await world.world.database.transact((trx) =>
      openDiscrepancy(
        trx,
        {
          site: world.world.site.site,
          class: 'not-measured',
          subject,
          receiptId: 'R-1',
          containerLabel: 'D-01',
          destination: null,
          scope: null,
          detail: 'seen at the dock',
          openedAt: time('09:00'),
        },
        world.world.site.timeZone,
      ),
    );
    expect(await world.open()).toEqual([`*not-measured ${subject} (R-1)`]);
    await world.world.measure({ container: 'D-01' });
    await world.comparison.catchUp();
    expect((await world.open())[0]).toBe(`*not-measured ${subject} (R-1)`);
  });

  it('counts a whole day from what is kept as it counts it from its rows', async () => {
    const world = await ComparisonWorld.open();
    await world.world.conform();
    await world.world.announce({ receiptId: 'R-2', scanText: 'RC-2', line: '20' });
    await world.world.measure(
      { container: 'D-01', receipt: 'RC-2', instrument: 'NQ-R-0002' },
      { container: 'X', receipt: 'RC-2', state: 'held' },
      { container: 'X', receipt: 'RC-unknown' },
    );
    const day = siteDay(DAY, world.world.site.timeZone);
    if (!day) throw new Error('no day');
    const whole = await world.reconciliation.report(day.from, day.to);
    // A microsecond less is no whole day any more: counted from the rows.
    const almost = await world.reconciliation.report(day.from, (day.to - 1) as typeof day.to);
    expect(whole.counts).toMatchObject({ acceptedResults: 4, heldResults: 1, receipts: 2 });
    expect(almost.counts).toEqual(whole.counts);
    expect(almost.statements).toEqual(whole.statements);
    const { instruments, receipts } = await world.reconciliation.breakdown({
      first: DAY,
      last: DAY,
    });
    expect(instruments.map((i) => [i.key, i.accepted])).toEqual([
      ['NQ-R-0001', 3],
      ['NQ-R-0002', 1],
    ]);
    expect(receipts.map((r) => [r.key, r.accepted, r.held])).toEqual([
      ['', 1, 0],
      ['R-1', 2, 0],
      ['R-2', 1, 1],
    ]);
  });

  it('counts a result by its latest revision, whatever was built again of an earlier one', async () => {
    const world = await ComparisonWorld.open();
    await world.world.conform();
    const { database } = world.world;
    const sent = await database.db
      .selectFrom('delivery')
      .selectAll()
      .where('subject_kind', '=', 'result')
      .where('destination', '=', 'lims')
      .execute();
    const [first] = sent;
    if (first === undefined) throw new Error('nothing was sent');
    await database.transact(async (trx) => {
      const again = { ...first, idempotency_key: 'again', build: 2 };
      const later = { ...first, idempotency_key: 'later', subject_revision: 2 };
      await trx
        .insertInto('delivery')
        .values([
          { ...again, id: 'again', seq: first.seq + 10 },
          { ...later, id: 'later', seq: first.seq + 11, state: 'due' },
        ])
        .execute();
    });
    const day = siteDay(DAY, world.world.site.timeZone);
    if (!day) throw new Error('no day');
    const whole = await world.reconciliation.report(day.from, day.to);
    const almost = await world.reconciliation.report(day.from, (day.to - 1) as typeof day.to);
    expect(whole.counts.confirmedResults).toBe(1);
    expect(almost.counts).toEqual(whole.counts);
  });

  it('compares everything again when destinations of the site change', async () => {
    const world = await ComparisonWorld.open();
    await world.world.conform();
    await world.comparison.catchUp();
    const { database, clock, site } = world.world;
    const fewer = { ...site, destinations: site.destinations.slice(0, 1) };
    const { ComparisonService } = await import('../../src/reconciliation/comparison.service.js');
    const changed = new ComparisonService(database, clock, fewer);
    expect((await changed.round())?.compared).toBeGreaterThan(0);
    expect(await changed.round()).toEqual({ compared: 0, isMore: false });
    const cells = await database.db
      .selectFrom('comparison_cell')
      .select('destination')
      .orderBy('destination')
      .execute();
    expect(cells.map((c) => c.destination)).toEqual(['', fewer.destinations[0]?.name]);
  });
});
