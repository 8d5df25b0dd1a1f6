import { describe, expect, it } from 'vitest';
import { MissingDeliveries } from '../../src/pipeline/missing-deliveries.service.js';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import { ComparisonService } from '../../src/reconciliation/comparison.service.js';
import { RecomputeService } from '../../src/reconciliation/recompute.service.js';
import type { Destination } from '../../src/site/site-folder.js';
import type { ActiveMapping } from '../../src/statements/statement-messages.js';
import { goodParts, goodResult, SITE } from '../checks/fixture.js';
import { COMMAND_LINE } from '../support/people.js';
import { MAPPINGS, ReviewBench } from './review-bench.js';

/** A destination that the site requires since after results were accepted. */

const required = (name: string) =>
  ({ name, requiredForStatement: true, acts: false }) as unknown as Destination;
const BOTH = { ...SITE, destinations: [required('lims'), required('archive')] };

async function world() {
  // Its mappings are those of before: results go to lims and nowhere else.
  const bench = await ReviewBench.open(BOTH);
  await bench.announce();
  await bench.settle(goodParts([goodResult(1), goodResult(2)]));
  const { database, clock } = bench.bench;
  const archive: ActiveMapping = { digest: 'a', messages: ['result'] };
  const mappings = new Map<string, ActiveMapping>([...MAPPINGS, ['archive', archive]]);
  const told: string[] = [];
  const missing = new MissingDeliveries({
    database,
    clock,
    site: BOTH,
    messages: new ResultMessages(BOTH, mappings, 1),
    onPlanned: (names) => told.push(...names),
  });
  const plan = (receiptId = 'R-1') => missing.plan(receiptId, COMMAND_LINE, 'required since CR-14');
  const compared = async (site = BOTH) => {
    const comparison = new ComparisonService(database, clock, site);
    await comparison.catchUp();
    const recompute = new RecomputeService(database, clock, site, comparison);
    const page = await recompute.page({ part: 'receipts', after: '' }, false);
    expect(page.differences).toEqual([]);
    return bench.db
      .selectFrom('discrepancy')
      .select(['subject', 'detail', 'destination', 'receipt_id', 'closing_evidence'])
      .where('class', '=', 'not-sent')
      .orderBy('detail')
      .execute();
  };
  return { bench, plan, compared, told };
}

describe('a result that a required destination was never sent', () => {
  it('is named among the discrepancies of its receipt, with what to do', async () => {
    const { bench, compared } = await world();
    expect(await bench.found('deliveries-confirmed')).toContain('R-1 at archive: no delivery');
    const found = await compared();
    expect(found).toMatchObject([
      {
        subject: `result:${await bench.rowId('R-1')}`,
        detail:
          'result R-1 was never sent to archive, which the site requires; plan it: drumline delivery plan R-1',
        destination: 'archive',
        receipt_id: 'R-1',
        closing_evidence: null,
      },
      { detail: expect.stringContaining('result R-2 was never sent to archive') },
    ]);
  });

  it('is sent there once a person plans it, which closes that by the delivery, and is done once', async () => {
    const { bench, plan, compared, told } = await world();
    await compared();
    expect(await plan()).toEqual({
      kind: 'done',
      planned: [
        { resultId: 'R-1', destination: 'archive', done: 'planned' },
        { resultId: 'R-2', destination: 'archive', done: 'planned' },
      ],
      withoutMessage: [],
      withoutWithdrawal: [],
      byHand: [],
    });
    expect(told).toEqual(['archive']);
    const sent = await bench.db
      .selectFrom('delivery')
      .select(['id', 'state', 'subject_id', 'receipt_id'])
      .where('destination', '=', 'archive')
      .orderBy('id')
      .execute();
    expect(sent.map((d) => [d.state, d.receipt_id])).toEqual([
      ['due', 'R-1'],
      ['due', 'R-1'],
    ]);
    const evidence = (await compared()).map((d) => d.closing_evidence);
    expect(evidence.sort()).toEqual(sent.map((d) => `delivery:${d.id}`).sort());
    await bench.bench.database.transact((trx) =>
      trx.updateTable('delivery').set({ state: 'confirmed' }).execute(),
    );
    expect(await bench.found('deliveries-confirmed')).toMatch(/^met/);
    expect(await plan()).toMatchObject({ kind: 'done', planned: [], withoutMessage: [] });
    const [entry, ...more] = await bench.trail('receipt.deliveries-planned');
    expect(entry).toMatchObject({ subject_id: 'R-1', reason: 'required since CR-14' });
    expect(more).toEqual([]);
    expect(await plan('R-9')).toEqual({ kind: 'unknown' });
  });

  it('is not waited for any more where it was taken back since, and nobody is told of it', async () => {
    const { bench, plan, compared } = await world();
    await bench.bench.database.transact(async (trx) => {
      await trx.updateTable('delivery').set({ state: 'confirmed' }).execute();
      const before = await trx
        .updateTable('result')
        .set({ state: 'superseded' })
        .where('result_id', '=', 'R-2')
        .returningAll()
        .executeTakeFirstOrThrow();
      const messages = new ResultMessages(BOTH, MAPPINGS, 1);
      await messages.takeBackDeliveries(trx, before, 'measured again', bench.bench.clock.now());
      await trx.updateTable('delivery').set({ state: 'confirmed' }).execute();
    });
    expect(await bench.found('deliveries-confirmed')).toContain('R-2 at archive: no delivery');
    expect(await compared()).toHaveLength(2);
    expect(await plan()).toMatchObject({
      planned: [
        { resultId: 'R-1', done: 'planned' },
        { resultId: 'R-2', done: 'taken-back' },
      ],
    });
    const states = await bench.db
      .selectFrom('delivery')
      .innerJoin('result', 'result.id', 'delivery.subject_id')
      .select(['result.result_id', 'delivery.state'])
      .where('delivery.destination', '=', 'archive')
      .orderBy('result.result_id')
      .execute();
    expect(states.map((s) => `${s.result_id} ${s.state}`)).toEqual(['R-1 due', 'R-2 superseded']);
    expect(await bench.found('deliveries-confirmed')).not.toContain('R-2 at archive');
  });

  it('is nothing to see to once the site does not require it', async () => {
    const { compared } = await world();
    await compared();
    const fewer = { ...BOTH, destinations: [required('lims')] };
    expect((await compared(fewer)).map((d) => d.closing_evidence)).toEqual([
      'the site folder does not require archive any more',
      'the site folder does not require archive any more',
    ]);
  });

  it('is sent in pages where they are many, each with an entry that counts what it does not name', async () => {
    const { bench, plan } = await world();
    const template = await bench.db
      .selectFrom('result')
      .selectAll()
      .where('result_id', '=', 'R-1')
      .executeTakeFirstOrThrow();
    const copies = Array.from({ length: 248 }, (_, n) => ({
      ...template,
      id: `${template.id.slice(0, -3)}${String(n).padStart(3, '0')}x`,
      result_id: `copy-${n}`,
      pointer: `/copies/${n}`,
    }));
    for (let i = 0; i < copies.length; i += 62) {
      await bench.db
        .insertInto('result')
        .values(copies.slice(i, i + 62))
        .execute();
    }
    const answer = await plan();
    if (answer.kind !== 'done') throw new Error(answer.kind);
    expect(new Set(answer.planned.filter((p) => p.destination === 'archive')).size).toBe(250);
    const sent = await bench.db
      .selectFrom('delivery')
      .select('subject_id')
      .where('destination', '=', 'archive')
      .execute();
    expect(new Set(sent.map((d) => d.subject_id)).size).toBe(250);
    const entries = (await bench.trail('receipt.deliveries-planned')).map(
      ({ after }) => JSON.parse(after ?? '') as { count: number; planned: unknown[] },
    );
    expect(entries.length).toBe(2);
    expect(entries.reduce((sum, { count }) => sum + count, 0)).toBe(answer.planned.length);
    for (const { planned } of entries) expect(planned).toHaveLength(50);
    expect(await plan()).toMatchObject({ planned: [] });
  });
});
