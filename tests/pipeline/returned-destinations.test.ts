import { describe, expect, it } from 'vitest';
import { MissingDeliveries } from '../../src/pipeline/missing-deliveries.service.js';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import { ComparisonService } from '../../src/reconciliation/comparison.service.js';
import { RecomputeService } from '../../src/reconciliation/recompute.service.js';
import type { Destination } from '../../src/site/site-folder.js';
import type { ActiveMapping } from '../../src/statements/statement-messages.js';
import { StatementsService } from '../../src/statements/statements.service.js';
import { goodParts, goodResult, SITE } from '../checks/fixture.js';
import { COMMAND_LINE } from '../support/people.js';
import { AttributionBench, LABELS_OF_D1 } from './attribution-bench.js';
import { MAPPINGS } from './review-bench.js';

/**
 * Release-safety rules 17 and 25: a destination that was out of the site folder while a result was given another place, or
 * taken back, holds what does not stand any more when the folder names it again.
 */

const required = (name: string) =>
  ({ name, requiredForStatement: true, acts: false }) as unknown as Destination;
const BOTH = { ...SITE, destinations: [required('lims'), required('archive')] };
const ARCHIVE: ActiveMapping = { digest: 'a', messages: ['result', 'withdrawal'] };

/** Two results of receipt R-1, delivered to both destinations. */
async function world(archive = ARCHIVE) {
  const mappings = new Map<string, ActiveMapping>([...MAPPINGS, ['archive', archive]]);
  const bench = await AttributionBench.open(BOTH, mappings);
  const { reviews } = bench;
  const [first, second] = [await reviews.person('robin'), await reviews.person('sam')];
  await reviews.settle(goodParts([goodResult(1), goodResult(2)]));
  await bench.deliver();
  const row = await reviews.rowId('R-1');
  const { database, clock } = reviews.bench;
  const without = new ResultMessages(BOTH, MAPPINGS, 1);
  const here = new ResultMessages(BOTH, mappings, 1);
  const told: string[] = [];
  const missing = new MissingDeliveries({
    database,
    clock,
    site: BOTH,
    messages: here,
    onPlanned: (names) => told.push(...names),
  });
  const send = (messages: ResultMessages) =>
    database.transact(async (trx) => {
      const cleared = await trx
        .updateTable('result')
        .set({ state: 'accepted' })
        .where('id', '=', row)
        .returningAll()
        .executeTakeFirstOrThrow();
      await messages.sendAlone(trx, cleared, 'cleared', clock.now());
    });
  const hold = (messages: ResultMessages) =>
    database.transact(async (trx) => {
      const { revision, ...before } = await trx
        .updateTable('result')
        .set((eb) => ({ state: 'held', revision: eb('revision', '+', 1) }))
        .where('id', '=', row)
        .returningAll()
        .executeTakeFirstOrThrow();
      const held = { ...before, revision: revision - 1 };
      await messages.takeBackDeliveries(trx, held, 'held', clock.now());
    });
  return {
    bench,
    row,
    told,
    first,
    second,
    /** Result R-1 comes to drum D-1 of receipt R-2 while no mapping of the archive is in force. */
    moveWhileGone: async () => {
      const id = await bench.propose(row, first);
      const over = bench.over(database, MAPPINGS);
      expect(await bench.decide(id, second, 'attribute', over)).toMatchObject({ revision: 2 });
      await bench.deliver();
    },
    takeBackWhileGone: async () => {
      await database.transact(async (trx) => {
        const before = await trx
          .updateTable('result')
          .set({ state: 'superseded' })
          .where('id', '=', row)
          .returningAll()
          .executeTakeFirstOrThrow();
        await without.takeBackDeliveries(trx, before, 'measured again', clock.now());
      });
      await bench.deliver();
    },
    /** The archive's answer to result R-1 was lost, which is why it was taken out. */
    doubt: () =>
      bench.db
        .updateTable('delivery')
        .set({ state: 'uncertain', attempts: 1, payload_sha256: 'x', next_ask_at: clock.now() })
        .where('destination', '=', 'archive')
        .where('subject_id', '=', row)
        .execute(),
    /** As an earlier version left what was shown absent there: due again, whatever stands now. */
    backInTheQueue: () =>
      bench.db
        .updateTable('delivery')
        .set({ state: 'due', due_at: clock.now(), next_ask_at: null })
        .where('destination', '=', 'archive')
        .where('subject_id', '=', row)
        .where('state', '=', 'uncertain')
        .execute(),
    holdWhileGone: () => hold(without),
    hold: () => hold(here),
    clear: () => send(here),
    /** The mapping of the archive gets its message for withdrawals. */
    addWithdrawal: () => mappings.set('archive', ARCHIVE),
    /** As a process says it that has the mappings of now. */
    condition: async (receiptId: string) => {
      const of = { site: BOTH, mappings, epoch: 1 };
      const look = await new StatementsService(database, clock, of).look(database.db, receiptId);
      const found = look?.draft.conditions.find((c) => c.code === 'deliveries-confirmed');
      return `${found?.state}: ${found?.found}`;
    },
    plan: (receiptId: string) => missing.plan(receiptId, COMMAND_LINE, 'it is back, CR-15'),
    confirmed: (receiptId: string) => reviews.found('deliveries-confirmed', receiptId),
    /** What the archive was sent of result R-1, in the order of its key. */
    atArchive: async () => {
      const rows = await bench.db
        .selectFrom('delivery')
        .select(['message', 'subject_revision', 'receipt_id', 'state'])
        .where('destination', '=', 'archive')
        .where('ordering_key', '=', 'result:R-1')
        .orderBy('seq')
        .execute();
      return rows.map((r) => `${r.message} ${r.subject_revision} ${r.receipt_id} ${r.state}`);
    },
    compared: async () => {
      const comparison = new ComparisonService(database, clock, BOTH);
      await comparison.catchUp();
      const recompute = new RecomputeService(database, clock, BOTH, comparison);
      const page = await recompute.page({ part: 'receipts', after: '' }, false);
      expect(page.differences).toEqual([]);
      return bench.db
        .selectFrom('discrepancy')
        .select(['detail', 'destination', 'receipt_id', 'closing_evidence'])
        .where('class', '=', 'not-sent')
        .orderBy('detail')
        .execute();
    },
  };
}

describe('rule 25: a destination that was away while a result was given another place', () => {
  it('keeps both receipts from conforming, and is named with the revision that stands there', async () => {
    const { moveWhileGone, confirmed, compared, atArchive } = await world();
    expect(await confirmed('R-1')).toMatch(/^met/);
    await moveWhileGone();
    expect(await atArchive()).toEqual(['result 1 R-1 confirmed']);
    const has = 'archive has revision 1 of result R-1, which does not stand any more';
    expect(await confirmed('R-2')).toContain(`${has}, and was never told`);
    expect(await confirmed('R-2')).toContain('result R-1 at archive: revision 2 was never sent');
    expect(await confirmed('R-1')).toContain(`${has}, and was never told`);
    expect(await compared()).toEqual([
      {
        detail: `${has} (it is accepted, revision 2), and was never told; plan it: drumline delivery plan R-2`,
        destination: 'archive',
        receipt_id: 'R-2',
        closing_evidence: null,
      },
    ]);
  });

  it.each(['R-1', 'R-2'])(
    'is told by a plan for %s: withdrawn at the old, then sent to the new',
    async (id) => {
      const { moveWhileGone, bench, plan, told, confirmed, compared, atArchive } = await world();
      await moveWhileGone();
      await compared();
      expect(await plan(id)).toEqual({
        kind: 'done',
        planned: [
          { resultId: 'R-1', destination: 'archive', done: 'withdrawn', revision: 1 },
          { resultId: 'R-1', destination: 'archive', done: 'planned' },
        ],
        withoutMessage: [],
        withoutWithdrawal: [],
        byHand: [],
      });
      expect(told).toEqual(['archive']);
      expect(await atArchive()).toEqual([
        'result 1 R-1 confirmed',
        'withdrawal 1 R-1 due',
        'result 2 R-2 due',
      ]);
      // What lims was told is what the archive is told.
      expect(await bench.db.selectFrom('withdrawal').selectAll().execute()).toHaveLength(1);
      expect(await confirmed('R-1')).toContain('unmet');
      expect(await confirmed('R-2')).toContain('unmet');
      const [closed, ...more] = await compared();
      expect(more).toEqual([]);
      expect(closed?.closing_evidence).toMatch(/^delivery:\S+, delivery:\S+$/);
      await bench.deliver();
      expect(await confirmed('R-1')).toMatch(/^met/);
      expect(await confirmed('R-2')).toMatch(/^met/);
      expect(await plan(id)).toMatchObject({ kind: 'done', planned: [], withoutMessage: [] });
      const [entry, ...others] = await bench.reviews.trail('receipt.deliveries-planned');
      expect(others).toEqual([]);
      expect(entry).toMatchObject({ subject_id: id, reason: 'it is back, CR-15' });
      expect(entry?.after).toContain('"withdrawn"');
      const due = await bench.db.selectFrom('receipt').select(['id', 'evaluation_due']).execute();
      expect(due.every((r) => r.evaluation_due === 0)).toBe(true);
    },
  );

  it('is told before anything later of the result, also where nobody planned it', async () => {
    const { moveWhileGone, bench, row, first, second, confirmed, atArchive } = await world();
    await moveWhileGone();
    const seen = { ...LABELS_OF_D1.seen, container: 'D-2' };
    const id = await bench.propose(row, first, { ...LABELS_OF_D1, seen });
    expect(await bench.decide(id, second)).toMatchObject({ revision: 3 });
    expect(await atArchive()).toEqual([
      'result 1 R-1 confirmed',
      'withdrawal 1 R-1 due',
      'result 3 R-2 due',
    ]);
    await bench.deliver();
    expect(await confirmed('R-1')).toMatch(/^met/);
    expect(await confirmed('R-2')).toMatch(/^met/);
  });

  it('does not count the older revision either where its mapping has no withdrawal', async () => {
    const { moveWhileGone, confirmed, plan, atArchive } = await world({
      digest: 'a',
      messages: ['result'],
    });
    await moveWhileGone();
    expect(await confirmed('R-2')).toContain('result R-1 at archive: revision 2 was never sent');
    expect(await confirmed('R-1')).toMatch(/^met/);
    expect(await plan('R-2')).toEqual({
      kind: 'done',
      planned: [],
      withoutMessage: [],
      withoutWithdrawal: ['archive'],
      byHand: [],
    });
    // It would show the result at both receipts.
    expect(await atArchive()).toEqual(['result 1 R-1 confirmed']);
  });
});

describe('rule 17: a destination that was away while a result was taken back', () => {
  it('keeps its receipt from conforming until the withdrawal is confirmed there', async () => {
    const { takeBackWhileGone, bench, plan, confirmed, compared, atArchive } = await world();
    await takeBackWhileGone();
    const has = 'archive has revision 1 of result R-1, which does not stand any more';
    expect(await confirmed('R-1')).toContain(`${has}, and was never told`);
    expect((await compared()).map((d) => d.detail)).toEqual([
      `${has} (it is superseded), and was never told; plan it: drumline delivery plan R-1`,
    ]);
    expect(await plan('R-1')).toMatchObject({
      planned: [{ resultId: 'R-1', destination: 'archive', done: 'withdrawn', revision: 1 }],
    });
    expect(await atArchive()).toEqual(['result 1 R-1 confirmed', 'withdrawal 1 R-1 due']);
    expect(await confirmed('R-1')).toContain('at archive: due');
    await bench.deliver();
    expect(await confirmed('R-1')).toMatch(/^met/);
    const [closed] = await compared();
    expect(closed?.closing_evidence).toMatch(/^delivery:\S+$/);
  });

  it('asks nothing of one that cannot be told', async () => {
    const { takeBackWhileGone, confirmed } = await world({ digest: 'a', messages: ['result'] });
    await takeBackWhileGone();
    expect(await confirmed('R-1')).toMatch(/^met/);
  });

  it('asks nothing of one that the folder does not name, and asks one that it names and does not require', async () => {
    const { takeBackWhileGone, bench } = await world();
    await takeBackWhileGone();
    const { database, clock } = bench.reviews.bench;
    const archive = { ...required('archive'), requiredForStatement: false };
    const foundIn = async (destinations: Destination[]) => {
      const site = { ...BOTH, destinations };
      const statements = new StatementsService(database, clock, {
        site,
        mappings: MAPPINGS,
        epoch: 1,
      });
      const look = await statements.look(database.db, 'R-1');
      return look?.draft.conditions.find((c) => c.code === 'deliveries-confirmed');
    };
    expect(await foundIn([required('lims')])).toMatchObject({ state: 'met' });
    expect(await foundIn([required('lims'), archive])).toMatchObject({
      state: 'unmet',
      found: expect.stringContaining('archive has revision 1 of result R-1'),
    });
  });
});

describe('rules 25 and 26: a destination whose send was in doubt when it was taken out', () => {
  it('is not posted what does not stand any more, once it shows that it never got it', async () => {
    const { doubt, moveWhileGone, backInTheQueue, plan, bench, confirmed, atArchive } =
      await world();
    await doubt();
    await moveWhileGone();
    await backInTheQueue();
    expect(await plan('R-2')).toMatchObject({
      planned: [{ resultId: 'R-1', destination: 'archive', done: 'planned' }],
    });
    expect(await atArchive()).toEqual(['result 1 R-1 superseded', 'result 2 R-2 due']);
    await bench.deliver();
    expect(await confirmed('R-1')).toMatch(/^met/);
    expect(await confirmed('R-2')).toMatch(/^met/);
    const [entry, ...more] = await bench.reviews.trail('delivery.superseded');
    expect(more).toEqual([]);
    expect(entry).toMatchObject({ reason: 'it is back, CR-15' });
  });

  it('is withdrawn there before the later revision while it may be there', async () => {
    const { doubt, moveWhileGone, plan, atArchive } = await world();
    await doubt();
    await moveWhileGone();
    await plan('R-2');
    expect(await atArchive()).toEqual([
      'result 1 R-1 uncertain',
      'withdrawal 1 R-1 due',
      'result 2 R-2 due',
    ]);
  });

  it('keeps in the queue what its withdrawal follows, which speaks of what is there', async () => {
    const { doubt, holdWhileGone, backInTheQueue, plan, clear, atArchive } = await world();
    await doubt();
    await holdWhileGone();
    await plan('R-1');
    await backInTheQueue();
    await clear();
    expect(await atArchive()).toEqual([
      'result 1 R-1 due',
      'withdrawal 1 R-1 due',
      'result 2 R-1 due',
    ]);
  });

  it('is posted the cleared result alone, where it was held meanwhile', async () => {
    const { doubt, holdWhileGone, backInTheQueue, clear, atArchive } = await world();
    await doubt();
    await holdWhileGone();
    await backInTheQueue();
    await clear();
    expect(await atArchive()).toEqual(['result 1 R-1 superseded', 'result 2 R-1 due']);
  });
});

describe('rule 25: a destination whose mapping gets its withdrawal later', () => {
  const WITHOUT: ActiveMapping = { digest: 'a', messages: ['result'] };

  it('is not told, behind the revision that stands, that the one before of the same place is withdrawn', async () => {
    const { hold, clear, addWithdrawal, condition, plan, bench, atArchive, compared } =
      await world(WITHOUT);
    await hold();
    await bench.deliver();
    await clear();
    await bench.deliver();
    addWithdrawal();
    expect(await condition('R-1')).toMatch(/^met/);
    expect(await plan('R-1')).toEqual({
      kind: 'done',
      planned: [],
      withoutMessage: [],
      withoutWithdrawal: [],
      byHand: [],
    });
    expect(await compared()).toEqual([]);
    expect(await atArchive()).toEqual(['result 1 R-1 confirmed', 'result 2 R-1 confirmed']);
    await hold();
    expect((await atArchive()).slice(2)).toEqual(['withdrawal 2 R-1 due']);
    expect(await condition('R-1')).not.toContain('revision 1');
  });

  it('is told of the last revision there, where the result does not stand any more', async () => {
    const { hold, clear, addWithdrawal, condition, plan, bench, atArchive } = await world(WITHOUT);
    await hold();
    await clear();
    await bench.deliver();
    await hold();
    addWithdrawal();
    expect(await condition('R-1')).toContain('archive has revision 2 of result R-1');
    expect(await plan('R-1')).toMatchObject({
      planned: [{ resultId: 'R-1', destination: 'archive', done: 'withdrawn', revision: 2 }],
      byHand: [],
    });
    expect((await atArchive()).slice(2)).toEqual(['withdrawal 2 R-1 due']);
  });

  it('keeps both receipts where the place was another one, withdraws nothing, and says what to do there', async () => {
    const { moveWhileGone, hold, clear, addWithdrawal, condition, plan, bench, atArchive } =
      await world(WITHOUT);
    await moveWhileGone();
    await hold();
    await clear();
    await bench.deliver();
    addWithdrawal();
    const has = 'archive has revision 1 of result R-1, which does not stand any more';
    for (const receiptId of ['R-1', 'R-2']) {
      expect(await condition(receiptId)).toContain(has);
      expect(await plan(receiptId)).toEqual({
        kind: 'done',
        planned: [],
        withoutMessage: [],
        withoutWithdrawal: [],
        byHand: [
          {
            resultId: 'R-1',
            destination: 'archive',
            revision: 1,
            receiptId: 'R-1',
            overtakenBy: 3,
          },
        ],
      });
    }
    // Nor with whatever is said of the result next.
    await hold();
    await clear();
    expect(await atArchive()).toEqual([
      'result 1 R-1 confirmed',
      'result 3 R-2 confirmed',
      'withdrawal 3 R-2 due',
      'result 4 R-2 due',
    ]);
  });
});
