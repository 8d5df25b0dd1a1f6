import { describe, expect, it } from 'vitest';
import { closeByEvidence } from '../../src/reconciliation/discrepancies.store.js';
import {
  keepHoldings,
  lockStopsHeldOf,
  settleHolding,
  stopsHeldOf,
} from '../../src/reconciliation/holdings.store.js';
import type { DestinationHoldingRow } from '../../src/storage/tables.js';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';
import { type Held, SweptWorld } from './swept-world.js';

const STOP: Held = {
  no: 'L-77',
  ref: 'nobody',
  kind: 'S',
  receipt: 'R-1',
  about: 'R-1',
  rev: 3,
  operator: 'op-9',
  decision: 'BLOCK',
  at: '2026-03-04T08:30:00Z',
  applied: true,
  touchedAt: '2026-03-04T08:31:00Z',
};
const FOUND = 'unknown-at-source holding:lims:L-77';

/** `lims` holds this, which nobody here sent, and a sweep has found it. */
async function holding(held: Held) {
  const world = await StatementWorld.open();
  await world.announce({}, { receiptId: 'R-2', scanText: 'RC-2', containers: ['E-01'] });
  const swept = SweptWorld.over(world);
  swept.held.set('held', held);
  await swept.sweep();
  expect(await swept.open()).toEqual([FOUND]);
  const rows = () =>
    swept.db.selectFrom('destination_holding').selectAll().orderBy('identity').execute();
  const change = (to: Held) => swept.held.set('held', { ...swept.held.get('held'), ...to });
  /** As the signature of a person does. */
  const acknowledge = () =>
    world.database.transact(async (trx) => {
      const { site, timeZone: zone } = world.site;
      const now = world.clock.now();
      await settleHolding(trx, { site, destination: 'lims', identity: 'L-77' }, now);
      const subject = 'holding:lims:L-77';
      const what = { site, class: 'unknown-at-source', subject, zone } as const;
      await closeByEvidence(trx, { ...what, evidence: 'signature', closedAt: now });
    });
  const floor = async (id: string) =>
    (
      await swept.db
        .selectFrom('receipt')
        .select('revision_floor')
        .where('id', '=', id)
        .executeTakeFirstOrThrow()
    ).revision_floor;
  return { world, swept, rows, change, acknowledge, floor };
}

describe('a message that nothing accounts for', () => {
  it('is what it was shown as last, and found anew when it says something else', async () => {
    const { swept, rows, change, floor } = await holding({ ...STOP, kind: 'T', rev: 1 });
    expect(await floor('R-1')).toBe(1);
    change({ kind: 'S', rev: 7, ref: 'somebody', at: '2026-03-04T08:50:00Z' });
    await swept.sweep();
    expect(await rows()).toMatchObject([
      {
        identity: 'L-77',
        message: 'stop',
        revision: 7,
        reference: 'somebody',
        held_at: time('08:50'),
        settled_at: null,
      },
    ]);
    expect(await floor('R-1')).toBe(7);
    expect(await swept.open()).toEqual([FOUND]);
    const found = await swept.db
      .selectFrom('discrepancy')
      .select(['detail'])
      .where('closed_at', 'is', null)
      .where('class', '=', 'unknown-at-source')
      .execute();
    expect(found).toMatchObject([{ detail: expect.stringContaining('stop R-1 revision 7') }]);
  });

  it('counts against the receipt that it names now, and no more against another', async () => {
    const { swept, change, floor } = await holding(STOP);
    change({ receipt: 'R-2', about: 'R-2' });
    await swept.sweep();
    const open = await swept.db
      .selectFrom('discrepancy')
      .select('receipt_id')
      .where('closed_at', 'is', null)
      .where('class', '=', 'unknown-at-source')
      .execute();
    expect(open).toEqual([{ receipt_id: 'R-2' }]);
    expect(await floor('R-2')).toBe(3);
  });

  it('overwrites no other message that has its number', async () => {
    const { swept, rows } = await holding(STOP);
    const result = { ...STOP, kind: 'R', result: 'r', about: 'r', rev: 1, ref: 'other' };
    swept.held.set('second', result);
    await swept.sweep();
    const names = async () => (await rows()).map((row) => [row.message, row.identity]);
    const both = await names();
    expect(both.map(([message]) => message)).toEqual(['stop', 'result']);
    expect((await swept.open()).length).toBe(2);
    // Listed the other way round, each keeps its name; neither is found anew.
    const first = swept.held.get('held') ?? {};
    swept.held.delete('held');
    swept.held.set('held', first);
    await swept.sweep();
    expect(await names()).toEqual(both);
    swept.held.delete('second');
    await swept.sweep();
    swept.held.delete('held');
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
  });
});

describe('a message of nobody that is not listed any more', () => {
  it.each([
    ['ends where it was stored at a time: a list of that moment does not show it', {}, []],
    ['stays where it shows none: nobody can look for it, and it may be there', { at: '' }, [FOUND]],
  ])('%s', async (_what, to, expected) => {
    const { swept } = await holding({ ...STOP, ...to });
    swept.held.delete('held');
    for (let n = 0; n < 3; n += 1) await swept.sweep();
    expect(await swept.open()).toEqual(expected);
  });
});

describe('a stop of a lost life that a person has acknowledged', () => {
  it('stays so while the destination changes nothing but what is technical', async () => {
    const { swept, change, acknowledge, rows } = await holding(STOP);
    await acknowledge();
    for (const to of [{ applied: false }, { touchedAt: 'now' }, { at: '2026-03-04T08:41:00Z' }]) {
      change(to);
      await swept.sweep();
      expect(await swept.open()).toEqual([]);
    }
    expect(await rows()).toMatchObject([{ held_at: time('08:41') }]);
  });

  it.each([
    ['revision', { rev: 4 }],
    ['kind', { kind: 'T' }],
    ['reference', { ref: 'somebody' }],
    ['decision', { decision: 'PERMIT' }],
  ])('is found anew with another %s: nobody has signed that', async (_what, to) => {
    const { swept, change, acknowledge } = await holding(STOP);
    await acknowledge();
    change(to);
    await swept.sweep();
    expect(await swept.open()).toEqual([FOUND]);
  });

  it('covers nothing that is listed while it is signed', async () => {
    const { world, acknowledge, rows } = await holding(STOP);
    const { site } = world.site;
    const [row] = await rows();
    if (row === undefined) throw new Error('nothing is held');
    const listed: DestinationHoldingRow = { ...row, revision: 9, last_sweep: 'later' };
    const contentOf = (of: DestinationHoldingRow) => String(of.revision);
    let kept: Promise<void> = Promise.resolve();
    await world.database.transact(async (trx) => {
      await lockStopsHeldOf(trx, site, 'R-1');
      const shown = await stopsHeldOf(trx, site, 'R-1');
      expect(shown).toMatchObject([{ revision: 3 }]);
      kept = world.database.transact((other) => keepHoldings(other, [listed], contentOf));
      // Time for the other one to write, if nothing held it.
      await new Promise((resolve) => setTimeout(resolve, 100));
      await settleHolding(trx, row, world.clock.now());
    });
    await kept;
    expect(await rows()).toMatchObject([{ revision: 9, settled_at: null }]);
    await acknowledge();
  });
});

describe('a message in which a delivery was recognised', () => {
  it('is that delivery’s finding when it says something else', async () => {
    const { swept, world, change, acknowledge, rows } = await holding({
      ...STOP,
      kind: 'R',
      rev: 1,
      operator: 'op-1',
      decision: 'PASSED',
    });
    await world.measure({ container: 'D-01' });
    const [recognised] = (await swept.confirmAll()).filter((d) => d.subject_kind === 'result');
    if (recognised === undefined) throw new Error('no result');
    swept.lose(recognised.id);
    await swept.db
      .updateTable('delivery')
      .set({ destination_reference: 'L-77' })
      .where('id', '=', recognised.id)
      .execute();
    change({ about: recognised.subject_id });
    await acknowledge();
    await swept.sweep();
    // What it is about was read anew just now; recognised as that, it is accounted for.
    await acknowledge();
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
    change({ decision: 'FAILED' });
    await swept.sweep();
    expect(await swept.open()).toEqual([`differs held:lims:${recognised.id}`]);
    expect((await rows())[0]?.settled_at).not.toBeNull();
    change({ decision: 'PASSED' });
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
  });
});
