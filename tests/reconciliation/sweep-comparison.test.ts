import { describe, expect, it } from 'vitest';
import { site as northquay, time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';
import { SweptWorld } from './swept-world.js';

const OPERATOR = 'differs field:lims:result:/operator';

/** So many results of R-1 that `lims` holds as they were sent; returns their deliveries. */
async function results(count: number) {
  const world = await StatementWorld.open();
  await world.announce();
  const swept = SweptWorld.over(world);
  await world.measure(...Array.from({ length: count }, () => ({ container: 'D-01' })));
  const ids = (await swept.confirmAll())
    .filter((row) => row.subject_kind === 'result')
    .map((row) => row.id);
  return { swept, ids, world };
}

const single = (id: string | undefined, kind = 'differs') => `${kind} held:lims:${String(id)}`;

/** What the first `differs` says. */
async function detail(swept: SweptWorld): Promise<string> {
  const found = await swept.db
    .selectFrom('discrepancy')
    .select('detail')
    .where('class', '=', 'differs')
    .executeTakeFirstOrThrow();
  return found.detail;
}

async function shared(swept: SweptWorld): Promise<string[]> {
  const rows = await swept.db
    .selectFrom('shared_difference')
    .select('delivery_id')
    .orderBy('delivery_id')
    .execute();
  return rows.map((row) => row.delivery_id);
}

/** They got there long before the period: the list does not show them, and the sweep does not miss them. */
async function putBefore(swept: SweptWorld, ids: readonly string[]): Promise<void> {
  const long = time('01:00');
  await swept.db
    .updateTable('delivery')
    .set({ accepted_at: long, confirmed_at: long })
    .where('id', 'in', ids)
    .execute();
  for (const id of ids) swept.unlisted.add(id);
}

/** Six results, five of which `lims` shows with another operator. */
async function fiveDiffer() {
  const made = await results(6);
  const differing = made.ids.slice(0, 5);
  for (const id of differing) made.swept.show(id, { operator: 'changed' });
  expect(await made.swept.sweep()).toMatchObject({ differs: 5, systematic: 1 });
  expect(await made.swept.open()).toEqual([OPERATOR]);
  expect(await shared(made.swept)).toEqual(differing);
  return { ...made, differing };
}

describe('rule 20: a difference that many records share', () => {
  it('is not ended by an equal record of another delivery, while those behind it differ still', async () => {
    const { swept, differing } = await fiveDiffer();
    for (const id of differing) swept.unlisted.add(id);
    swept.asked.length = 0;
    await swept.sweep();
    expect(swept.asked).toEqual(differing);
    expect(await swept.open()).toEqual([OPERATOR]);
    expect(await shared(swept)).toEqual(differing);
  });

  it('stays while those behind it are neither listed nor answered for', async () => {
    const { swept, differing } = await fiveDiffer();
    await putBefore(swept, differing);
    for (const id of differing) swept.silent.add(id);
    expect(await swept.sweep()).toMatchObject({ differs: 0, systematic: 0 });
    expect(swept.asked).toEqual(expect.arrayContaining(differing));
    expect(await swept.open()).toEqual([OPERATOR]);
    expect(await shared(swept)).toEqual(differing);
  });

  it('ends once each was listed as it was sent', async () => {
    const { swept, differing } = await fiveDiffer();
    for (const id of differing) swept.show(id, { operator: 'op-1' });
    swept.asked.length = 0;
    await swept.sweep();
    expect(swept.asked).toEqual([]);
    expect(await swept.open()).toEqual([]);
    expect(await shared(swept)).toEqual([]);
    const watch = await swept.db.selectFrom('destination_watch').select('difference').execute();
    expect(watch).toEqual([{ difference: null }]);
  });

  it('ends once a question showed each equal that no list shows any more', async () => {
    const { swept, differing } = await fiveDiffer();
    await putBefore(swept, differing);
    for (const id of differing) swept.show(id, { operator: 'op-1' });
    expect(await swept.sweep()).toMatchObject({ asked: 5, systematic: 0 });
    expect(await swept.open()).toEqual([]);
    expect(await shared(swept)).toEqual([]);
  });

  it('is followed by a finding of each that differs still, opened before it ends', async () => {
    const { swept, differing } = await fiveDiffer();
    for (const id of differing.slice(2)) swept.show(id, { operator: 'op-1' });
    await swept.sweep();
    expect(await swept.open()).toEqual(differing.slice(0, 2).map((id) => single(id)));
    expect(await shared(swept)).toEqual([]);
  });

  it.each([1, 2, 3, 4, 5])('loses nobody where the process dies at its change %i', async (at) => {
    const { swept, differing } = await fiveDiffer();
    for (const id of differing.slice(2)) swept.show(id, { operator: 'op-1' });
    swept.diesAt = at;
    await swept.sweep();
    expect(await swept.open()).toEqual(differing.slice(0, 2).map((id) => single(id)));
  });

  it('holds no conforms any more once it ended, also when the process died behind its closing', async () => {
    const { swept, world, differing } = await fiveDiffer();
    const difference = async () => {
      const watch = swept.db.selectFrom('destination_watch').select('difference');
      return (await watch.where('destination', '=', 'lims').executeTakeFirst())?.difference;
    };
    expect(await difference()).toContain('/operator');
    await world.measure({ container: 'D-02' });
    await world.hear('NQ-R-0001', time('08:59'));
    await world.hear('NQ-R-0002', time('08:59'));
    await world.setDeliveries('result', 'confirmed');
    await world.statements.evaluateDue(10);
    expect((await world.told()).at(-1)).toMatch(/ incomplete$/);
    expect((await world.condition('R-1', 'destination-unchanged'))?.state).not.toBe('met');
    for (const id of differing) swept.show(id, { operator: 'op-1' });
    await swept.confirmAll();
    swept.diesAt = 1;
    await swept.sweep();
    expect(swept.diesAt).toBeLessThanOrEqual(0);
    expect(await swept.open()).toEqual([]);
    expect(await difference()).toBeNull();
    await world.statements.evaluateDue(10);
    expect((await world.told()).at(-1)).toMatch(/ conforms$/);
  });

  it('hides no other difference of a record', async () => {
    const { swept, ids } = await results(6);
    for (const id of ids) swept.show(id, { operator: 'changed' });
    swept.show(String(ids[3]), { operator: 'changed', decision: 'FAILED' });
    await swept.sweep();
    expect(await swept.open()).toEqual([OPERATOR, single(ids[3])]);
    const [found] = await swept.db
      .selectFrom('discrepancy')
      .select(['detail', 'receipt_id'])
      .where('subject', '=', `held:lims:${String(ids[3])}`)
      .execute();
    expect(found).toEqual({
      detail: '/decision: expected "PASSED", found "FAILED"',
      receipt_id: 'R-1',
    });
    expect(await shared(swept)).toEqual(ids.filter((id) => id !== ids[3]));
  });

  it('counts every field of a record, not only its first', async () => {
    const { swept, ids } = await results(10);
    for (const [n, id] of ids.entries()) {
      swept.show(id, n < 5 ? { operator: 'x', decision: 'FAILED' } : { decision: 'FAILED' });
    }
    await swept.sweep();
    expect(await swept.open()).toEqual(['differs field:lims:result:/decision', OPERATOR]);
  });
});

describe('a confirmed result that is not applied any more', () => {
  it('is a finding that names the field, until it is applied again', async () => {
    const { swept, ids } = await results(3);
    swept.show(String(ids[0]), { applied: false });
    await swept.sweep();
    expect(await swept.open()).toEqual([single(ids[0])]);
    expect(await detail(swept)).toBe('/applied: it was applied and is not any more');
    await swept.sweep();
    expect(await swept.open()).toEqual([single(ids[0])]);
    swept.show(String(ids[0]), { applied: true });
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
  });

  it('is found by a question too where the list leaves it out', async () => {
    const { swept, ids } = await results(3);
    swept.unlisted.add(String(ids[1]));
    swept.show(String(ids[1]), { applied: false });
    await swept.sweep();
    expect(await swept.open()).toEqual([single(ids[1])]);
  });

  it.each(['confirmed', 'accepted'] as const)(
    'is none where a later message about it is %s',
    async (state) => {
      const { swept, ids } = await results(2);
      const first = await swept.db
        .selectFrom('delivery')
        .selectAll()
        .where('id', '=', String(ids[0]))
        .executeTakeFirstOrThrow();
      const later = { id: 'withdrawal', subject_kind: 'withdrawal', seq: first.seq + 1 } as const;
      const sent = { state, accepted_at: null, confirmed_at: null, idempotency_key: 'later' };
      const row = { ...first, ...later, ...sent, message: 'withdrawal' };
      await swept.db.insertInto('delivery').values(row).execute();
      swept.show(first.id, { applied: false });
      await swept.sweep();
      expect(await swept.open()).toEqual([]);
    },
  );
});

describe('a record that shows a revision above ours under our reference', () => {
  it('is a finding in the revision where nothing of ours is that high', async () => {
    const { swept, ids } = await results(2);
    swept.show(String(ids[0]), { rev: 9, decision: 'FAILED' });
    await swept.sweep();
    expect(await swept.open()).toEqual([single(ids[0])]);
    expect(await detail(swept)).toBe(
      '/rev: revision 9 is held, and none of ours above 1 went there',
    );
  });
});

/** R-1 conformed, was stopped, and `lims` shows the stop in force. */
async function stopped() {
  const destinations = northquay.destinations.map((d) => ({ ...d, acts: d.name === 'lims' }));
  const world = await StatementWorld.open({ ...northquay, destinations });
  const swept = SweptWorld.over(world);
  await world.conform();
  await swept.confirmAll();
  await world.measure({ container: 'D-01', decision: 'fail' });
  await world.statements.evaluateDue(10);
  const [stop] = (await swept.confirmAll()).filter((row) => row.subject_kind === 'stop');
  if (stop === undefined) throw new Error('no stop was sent');
  const stops = () =>
    swept.db.selectFrom('stop').select(['statement_revision', 'reason']).orderBy('id').execute();
  expect(await stops()).toHaveLength(1);
  await swept.sweep();
  expect(await swept.open()).toEqual([]);
  return { swept, world, stop, stops };
}

describe('rule 21: a confirmed stop that does not show any more', () => {
  it.each([
    ['is applied no more', { applied: false }, []],
    ['is gone', null, []],
    ['says something else', { decision: 'PASSED-ALL' }, ['differs']],
    ['shows a revision of nobody', { rev: 40 }, ['differs']],
  ])(
    'is stated anew where it %s, once, and that ends behind the new one',
    async (_what, change, left) => {
      const { swept, stop, stops } = await stopped();
      if (change === null) swept.lose(stop.id);
      else swept.show(stop.id, change);
      await swept.sweep();
      expect(await swept.open()).toEqual([single(stop.id, 'stop-not-effective')]);
      const [, again, ...more] = await stops();
      expect(more).toEqual([]);
      expect(again?.statement_revision).toBeGreaterThan(stop.subject_revision);
      expect(again?.reason).toContain('does not show the stop');
      // Not once more while the new one is on its way.
      await swept.sweep();
      expect(await stops()).toHaveLength(2);
      await swept.confirmAll();
      await swept.sweep();
      // What is held under its reference is not what was sent, whatever else is in force.
      expect(await swept.open()).toEqual(left.map((kind) => single(stop.id, kind)));
      expect(await stops()).toHaveLength(2);
    },
  );

  it('is stated anew each time, however many of a destination do not show', async () => {
    const { swept, stop, stops } = await stopped();
    swept.show(stop.id, { applied: false });
    await swept.sweep();
    const [second] = (await swept.confirmAll()).filter((row) => row.subject_kind === 'stop');
    swept.show(String(second?.id), { applied: false });
    await swept.sweep();
    expect(await stops()).toHaveLength(3);
  });

  it('is over where a signed act lifted it', async () => {
    const { swept, stop, stops } = await stopped();
    await swept.db
      .updateTable('stop')
      .set({ lifted_at: stop.created_at })
      .where('id', '=', stop.subject_id)
      .execute();
    swept.show(stop.id, { applied: false });
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
    expect(await stops()).toHaveLength(1);
  });

  it('is overtaken by a later message that was shown there', async () => {
    const { swept, stop, stops } = await stopped();
    const revision = stop.subject_revision + 1;
    const later = { id: 'later', subject_kind: 'statement', subject_id: 'R-1' } as const;
    const keys = { ordering_key: 'statement:R-1', seq: 99, idempotency_key: 'later' };
    const row = { ...stop, ...later, ...keys, message: 'statement', subject_revision: revision };
    const shown = { state: 'confirmed', confirmed_at: null } as const;
    await swept.db
      .insertInto('delivery')
      .values({ ...row, ...shown })
      .execute();
    swept.show(stop.id, { rev: revision, applied: true });
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
    swept.show(stop.id, { rev: stop.subject_revision, applied: false });
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
    expect(await stops()).toHaveLength(1);
  });
});
