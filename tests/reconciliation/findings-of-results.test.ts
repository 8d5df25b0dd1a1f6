import { describe, expect, it } from 'vitest';
import { moveResult } from '../../src/receipts/attributions.store.js';
import type { DeliveryRow } from '../../src/storage/tables.js';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';
import { type Held, SweptWorld } from './swept-world.js';

/** Two results that `lims` has, whose receipt nobody announced yet. */
async function measuredBefore() {
  const world = await StatementWorld.open();
  const swept = SweptWorld.over(world);
  await world.measure({ container: 'D-01' }, { container: 'D-02' });
  const [first, second] = await swept.confirmAll();
  if (first === undefined || second === undefined) throw new Error('nothing was sent');
  expect([first.receipt_id, second.receipt_id]).toEqual([null, null]);
  return { world, swept, first, second };
}

/** R-1 is announced, and everything else that it needs is met. */
async function announced(world: StatementWorld): Promise<void> {
  await world.announce();
  await world.hear('NQ-R-0001', time('08:59'));
  await world.hear('NQ-R-0002', time('08:59'));
  await world.setDeliveries('result', 'confirmed');
  await world.statements.evaluateDue(10);
}

async function outcome(world: StatementWorld, receiptId = 'R-1'): Promise<string> {
  await world.statements.evaluateDue(10);
  const told = (await world.told(receiptId)).at(-1);
  const { outcome: asked } = await world.statements.fresh(receiptId, 'erp');
  expect(told).toMatch(new RegExp(` ${asked}$`));
  return asked;
}

/** `class delivery (receipt) scope` of what is open. */
async function open(swept: SweptWorld): Promise<string[]> {
  const rows = await swept.db
    .selectFrom('discrepancy')
    .select(['class', 'subject', 'receipt_id', 'scope'])
    .where('closed_at', 'is', null)
    .where('derived', '=', 0)
    .orderBy('subject')
    .execute();
  return rows.map((d) => `${d.class} ${d.subject} (${d.receipt_id ?? ''}) ${d.scope ?? ''}`);
}

const at = (row: DeliveryRow, kind: string, receipt: string) =>
  `${kind} held:lims:${row.id} (${receipt}) ${receipt === '' ? '{"destination":"lims"}' : ''}`;

/** A withdrawal of a result that `lims` has, made while it had no receipt. */
async function withdrawn(swept: SweptWorld, of: DeliveryRow): Promise<DeliveryRow> {
  const { site, subject_id: rowId } = of;
  await swept.db
    .insertInto('withdrawal')
    .values({
      id: 'withdrawal-1',
      site,
      result_row_id: rowId,
      result_id: rowId,
      result_revision: 1,
      receipt_id: null,
      reason: 'taken back',
      document: '{}',
      issued_at: time('08:35'),
    })
    .execute();
  const row: DeliveryRow = {
    ...of,
    id: 'delivery-of-withdrawal',
    subject_kind: 'withdrawal',
    message: 'withdrawal',
    subject_id: 'withdrawal-1',
    seq: of.seq + 1,
    idempotency_key: 'withdrawal',
    payload_sha256: null,
  };
  await swept.db.insertInto('delivery').values(row).execute();
  await swept.confirmAll();
  return row;
}

describe('a finding about a result that had no receipt', () => {
  const WAYS: readonly (readonly [string, (swept: SweptWorld, row: DeliveryRow) => void])[] = [
    ['differs', (s, row) => s.show(row.id, { operator: 'op-9', decision: 'FAILED' })],
    ['absent', (s, row) => s.lose(row.id)],
    ['duplicate-at-destination', (s, row) => s.double(row.id)],
  ];

  it.each(WAYS)('counts against it once it has one, until it ends: %s', async (kind, change) => {
    const { world, swept, first } = await measuredBefore();
    const was: Held[] = [...swept.held.values()].filter((item) => item['ref'] === first.id);
    change(swept, first);
    await swept.sweep();
    expect(await open(swept)).toEqual([at(first, kind, '')]);
    await announced(world);
    expect(await open(swept)).toEqual([at(first, kind, 'R-1')]);
    expect(await outcome(world)).toBe('incomplete');
    await swept.sweep();
    expect(await open(swept)).toEqual([at(first, kind, 'R-1')]);
    expect((await world.told()).join()).not.toContain(' conforms');
    swept.lose(first.id);
    for (const item of was) swept.held.set(String(item['no']), item);
    await swept.confirmAll();
    await swept.sweep();
    expect(await open(swept)).toEqual([]);
    await swept.confirmAll();
    expect(await outcome(world)).toBe('conforms');
  });

  it('counts against the receipt that is announced while the destination is asked', async () => {
    const { world, swept, first } = await measuredBefore();
    swept.lose(first.id);
    swept.meanwhile = async (ref) => {
      if (ref === first.id) await announced(world);
    };
    await swept.sweep();
    expect(await open(swept)).toEqual([at(first, 'absent', 'R-1')]);
    expect(await outcome(world)).toBe('incomplete');
  });

  it('that an earlier version left without one is given it by the next sweep', async () => {
    const { world, swept, first } = await measuredBefore();
    swept.lose(first.id);
    await swept.sweep();
    await announced(world);
    await swept.db
      .updateTable('discrepancy')
      .set({ receipt_id: null, scope: '{"destination":"lims"}' })
      .where('subject', '=', `held:lims:${first.id}`)
      .execute();
    await world.database.db.updateTable('receipt').set({ evaluation_due: 1 }).execute();
    expect(await outcome(world)).toBe('conforms');
    await swept.confirmAll();
    await swept.sweep();
    expect(await open(swept)).toEqual([at(first, 'absent', 'R-1')]);
    // At once: what conformed is suspended in the transaction of the finding.
    expect((await world.told()).at(-1)).toMatch(/ incomplete$/);
  });

  it('about its withdrawal goes along', async () => {
    const { world, swept, first } = await measuredBefore();
    const withdrawal = await withdrawn(swept, first);
    swept.show(withdrawal.id, { decision: 'FAILED' });
    await swept.sweep();
    expect(await open(swept)).toEqual([at(withdrawal, 'differs', '')]);
    await announced(world);
    expect(await open(swept)).toEqual([at(withdrawal, 'differs', 'R-1')]);
    swept.show(withdrawal.id, { decision: 'PASSED' });
    await swept.sweep();
    expect(await open(swept)).toEqual([]);
    // Its delivery was made while there was no receipt, and belongs to the result's all the same.
    swept.show(withdrawal.id, { decision: 'FAILED' });
    await swept.sweep();
    expect(await open(swept)).toEqual([at(withdrawal, 'differs', 'R-1')]);
  });

  it('goes where a signature says that the result belongs, and stays with what was sent for another', async () => {
    const { world, swept, first, second } = await measuredBefore();
    for (const { id } of [first, second]) swept.lose(id);
    await swept.sweep();
    await world.announce({ receiptId: 'R-2', scanText: 'RC-2' });
    const move = (to: string, revision: number) =>
      world.database.transact((trx) =>
        moveResult(
          trx,
          { site: first.site, id: first.subject_id, revision },
          { receiptId: to, label: 'D-01' },
        ),
      );
    await move('R-2', 1);
    expect(await open(swept)).toEqual([at(first, 'absent', 'R-2'), at(second, 'absent', '')]);
    await announced(world);
    expect(await open(swept)).toEqual([at(first, 'absent', 'R-2'), at(second, 'absent', 'R-1')]);
  });
});

describe('a finding about a result of a receipt that is split', () => {
  it('goes along to the part, and speaks against no other', async () => {
    const world = await StatementWorld.open();
    const swept = SweptWorld.over(world);
    await world.conform();
    const sent = await swept.confirmAll();
    const [first] = sent.filter((row) => row.subject_kind === 'result');
    if (first === undefined) throw new Error('nothing was sent');
    swept.lose(first.id);
    await swept.sweep();
    expect(await open(swept)).toEqual([at(first, 'absent', 'R-1')]);
    expect((await world.split()).ok).toBe(true);
    expect(await open(swept)).toEqual([at(first, 'absent', 'R-2')]);
    await world.setDeliveries('result', 'confirmed');
    expect(await outcome(world, 'R-2')).not.toBe('conforms');
    await swept.sweep();
    expect(await open(swept)).toEqual([at(first, 'absent', 'R-2')]);
  });
});

describe('a finding at a receipt that was split', () => {
  /** R-1 was split; conform, and were told so. */
  async function divided() {
    const world = await StatementWorld.open();
    const swept = SweptWorld.over(world);
    await world.announce();
    expect((await world.split()).ok).toBe(true);
    await world.measure(
      { container: 'D-01', receipt: 'RC-2' },
      { container: 'D-02', receipt: 'RC-3' },
    );
    await world.hear('NQ-R-0001', time('08:59'));
    await world.hear('NQ-R-0002', time('08:59'));
    const sent = await swept.confirmAll();
    await world.setDeliveries('result', 'confirmed');
    await world.statements.evaluateDue(10);
    await swept.confirmAll();
    for (const id of ['R-2', 'R-3']) expect((await world.told(id)).at(-1)).toMatch(/ conforms$/);
    return { world, swept, sent };
  }

  const foreign = (rev: number): Held => ({
    ref: 'of-a-lost-life',
    no: 'L-77',
    kind: 'S',
    receipt: 'R-1',
    rev,
    at: '2026-03-04T08:30:00Z',
  });

  it.each([
    ['a stop of nobody’s that names it', (s: SweptWorld) => s.held.set('foreign', foreign(9))],
    [
      'its own statement, shown otherwise',
      (s: SweptWorld, id: string) => s.show(id, { decision: 'FAILED' }),
    ],
  ])('suspends its parts at once: %s', async (_what, change) => {
    const { world, swept, sent } = await divided();
    const statement = sent.find((d) => d.subject_kind === 'statement' && d.receipt_id === 'R-1');
    change(swept, String(statement?.id));
    await swept.sweep();
    expect(await swept.open()).toHaveLength(1);
    for (const id of ['R-2', 'R-3']) {
      expect((await world.told(id)).at(-1)).toMatch(/ incomplete$/);
      expect(await world.stops(id)).toHaveLength(1);
    }
  });

  it('has its parts judged anew when it ends', async () => {
    const world = await StatementWorld.open();
    const swept = SweptWorld.over(world);
    await world.announce();
    swept.held.set('foreign', foreign(9));
    await swept.sweep();
    expect((await world.split()).ok).toBe(true);
    await world.measure({ container: 'D-01', receipt: 'RC-2' });
    await world.hear('NQ-R-0001', time('08:59'));
    await world.hear('NQ-R-0002', time('08:59'));
    await world.setDeliveries('result', 'confirmed');
    await swept.confirmAll();
    await world.statements.evaluateDue(10);
    expect(await outcome(world, 'R-2')).toBe('incomplete');
    swept.held.delete('foreign');
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
    await world.statements.evaluateDue(10);
    expect((await world.told('R-2')).at(-1)).toMatch(/ conforms$/);
  });
});
