import { describe, expect, it, vi } from 'vitest';
import { canonicalDigest } from '../../src/formats/canonical-json.js';
import { addMs } from '../../src/formats/instant.js';
import { markAnnouncedReceiptsDue } from '../../src/receipts/facts.store.js';
import { site, time } from './conforming-facts.js';
import { StatementWorld } from './statement-world.js';

describe('statements on a database', () => {
  it('stores a revision when there is news, with messages to every destination', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    expect(await world.told()).toEqual(['1 incomplete', '2 incomplete', '3 conforms']);
    expect(await world.messages()).toEqual([
      'lims statement 1 superseded',
      'erp statement 1 superseded',
      'lims statement 2 superseded',
      'erp statement 2 superseded',
      'lims statement 3 due',
      'erp statement 3 due',
    ]);
    const barriers = await world.database.db
      .selectFrom('delivery')
      .select(['subject_revision', 'barrier'])
      .where('subject_kind', '=', 'statement')
      .execute();
    expect(barriers.every((b) => (b.barrier === 1) === (b.subject_revision === 3))).toBe(true);
    const row = await world.database.db
      .selectFrom('statement')
      .selectAll()
      .orderBy('revision', 'desc')
      .executeTakeFirstOrThrow();
    expect(row.digest).toBe(canonicalDigest(JSON.parse(row.document)));
    expect(row.facts_version).toBeGreaterThan(0);
  });

  it('stores nothing when nothing is new, and clears the due mark', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.setDeliveries('result', 'confirmed');
    const evaluated = await world.statements.evaluateDue(10);
    expect(evaluated).toMatchObject([{ receiptId: 'R-1', isNew: false, revision: 3 }]);
    expect(await world.statements.evaluateDue(10)).toEqual([]);
    expect(await world.told()).toHaveLength(3);
  });

  it('leaves a receipt that only got better for later, unless it has ever conformed', async () => {
    const world = await StatementWorld.open();
    const improve = () =>
      world.database.transact((trx) =>
        world.statements.evaluateImproved(trx, 'R-1', world.clock.now()),
      );
    const due = async () =>
      (
        await world.database.db
          .selectFrom('receipt')
          .select('evaluation_due')
          .where('id', '=', 'R-1')
          .executeTakeFirstOrThrow()
      ).evaluation_due;
    await world.announce();
    await improve();
    expect(await due()).toBe(1);
    expect(await world.told()).toEqual(['1 incomplete']);

    const conforming = await StatementWorld.open();
    await conforming.conform();
    await conforming.setDeliveries('result', 'parked');
    await conforming.database.transact((trx) =>
      conforming.statements.evaluateImproved(trx, 'R-1', conforming.clock.now()),
    );
    expect((await conforming.told()).at(-1)).toBe('4 incomplete');
  });

  it('writes an audit entry for each revision and stop', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.measure({ container: 'D-01', decision: 'fail' });
    const actions = await world.database.db
      .selectFrom('audit_entry')
      .select('action')
      .where('actor', '=', 'statements')
      .execute();
    expect(actions.map((a) => a.action).sort()).toEqual([
      'statement.revised',
      'statement.revised',
      'statement.revised',
      'statement.revised',
      'stop.issued',
    ]);
  });

  it('rule 1: the second shipment of a conforming lot is judged by itself', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.announce({ receiptId: 'R-2', line: '20', scanText: 'RC-2' });
    const second = await world.statements.fresh('R-2', 'erp');
    expect(second.outcome).toBe('incomplete');
    expect(second.receipt.siteLot).toBe('NQ26-001');
    expect(second.containers.map((c) => c.state)).toEqual(['not-measured', 'not-measured']);
    expect((await world.statements.fresh('R-1', 'erp')).outcome).toBe('conforms');
  });

  it('rule 8: a fail after conforms yields its stop in the same transaction and cancels the unsent conforms', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.measure({ container: 'D-02', decision: 'fail', state: 'held' });
    expect(await world.told()).toEqual([
      '1 incomplete',
      '2 incomplete',
      '3 conforms',
      '4 does-not-conform',
    ]);
    expect(await world.stops()).toEqual(['4 withdraw']);
    const messages = await world.messages();
    expect(messages).toContain('lims statement 3 cancelled');
    expect(messages).toContain('erp statement 3 cancelled');
    expect(messages.slice(-2)).toEqual(['lims statement 4 due', 'erp stop 4 due']);
  });

  it('rule 8: writes nothing at all when the transaction of the fail does not commit', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    const before = await world.messages();
    await expect(
      world.database.transact(async (trx) => {
        await trx
          .updateTable('result')
          .set({ decision: 'fail', contrary: 1 })
          .where('id', '=', 'row-2')
          .execute();
        const evaluation = await world.statements.evaluateInTransaction(
          trx,
          'R-1',
          world.clock.now(),
        );
        expect(evaluation).toMatchObject({
          outcome: 'does-not-conform',
          stop: 'withdraw',
          revision: 4,
        });
        throw new Error('crash');
      }),
    ).rejects.toThrow('crash');
    expect(await world.stops()).toEqual([]);
    expect(await world.messages()).toEqual(before);
  });

  it('rule 10: unowned evidence suspends every conforming receipt it could belong to', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.openUnowned('runs:NQ-R-0003:1:4-5', { instruments: ['NQ-R-0003'] });
    expect(await world.stops()).toEqual([]);
    await world.openUnowned('runs:NQ-R-0002:1:4-5', {
      instruments: ['NQ-R-0002'],
      to: time('07:00'),
    });
    expect(await world.stops()).toEqual([]);
    await world.openUnowned('runs:NQ-R-0002:1:6-7', {
      instruments: ['NQ-R-0002'],
      to: time('09:00'),
    });
    expect(await world.stops()).toEqual(['4 suspend']);
  });

  it('rule 9: a goods receipt dated later does not get rid of unowned evidence from before it', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    await world.measure({ container: 'D-01' }, { container: 'D-02' });
    await world.openUnowned('bundle:unreadable', { to: time('08:40') });
    await world.announce({ receivedAt: time('08:45') });
    await world.measure(
      { container: 'D-01', at: time('08:50') },
      { container: 'D-02', at: time('08:51') },
    );
    await world.hear('NQ-R-0001', time('08:59'));
    await world.hear('NQ-R-0002', time('08:59'));
    await world.setDeliveries('result', 'confirmed');
    const statement = await world.statements.fresh('R-1', 'erp');
    const open = statement.conditions.filter((c) => c.state === 'unmet').map((c) => c.code);
    expect([statement.outcome, open]).toEqual(['incomplete', ['no-open-discrepancy']]);
  });

  it('rule 9: a receipt dated later than it was is still put in doubt by what came before', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    await world.announce({ receivedAt: time('08:20') });
    await world.conform();
    expect((await world.told()).at(-1)).toContain('conforms');
    await world.openUnowned('bundle:unreadable', { to: time('08:10') });
    expect((await world.stops()).map((stop) => stop.split(' ')[1])).toEqual(['suspend']);
  });

  it('rule 11: does not conform to before the silent handheld of the area has synced', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    await world.measure({ container: 'D-01' }, { container: 'D-02' });
    await world.hear('NQ-R-0001', time('08:59'));
    await world.setDeliveries('result', 'confirmed');
    expect((await world.statements.fresh('R-1', 'erp')).outcome).toBe('incomplete');
    await world.hear('NQ-R-0002', time('08:30'));
    expect((await world.statements.fresh('R-1', 'erp')).outcome).toBe('incomplete');
    await world.hear('NQ-R-0002', addMs(time('08:30'), site.limits.syncMarginMs));
    expect((await world.statements.fresh('R-1', 'erp')).outcome).toBe('conforms');
  });

  it('rule 11: a receipt that moved needs the instruments of both areas, and evidence of both puts it in doubt', async () => {
    const world = await StatementWorld.open();
    await world.announce({ area: 'west-dock' });
    await world.conform();
    expect((await world.statements.fresh('R-1', 'erp')).outcome).toBe('incomplete');
    await world.hear('NQ-R-0003', time('08:59'));
    expect((await world.statements.fresh('R-1', 'erp')).outcome).toBe('conforms');
    await world.openUnowned('runs:NQ-R-0003:1:4-5', { instruments: ['NQ-R-0003'] });
    expect((await world.stops()).map((stop) => stop.split(' ')[1])).toEqual(['suspend']);
  });

  it('rule 14: an unknown receipt is incomplete at revision 0, and the pull is logged', async () => {
    const world = await StatementWorld.open();
    const statement = await world.statements.fresh('never seen', 'erp');
    expect(statement).toMatchObject({
      outcome: 'incomplete',
      revision: 0,
      receipt: { receiptId: 'never seen' },
    });
    await world.measure({ container: 'D-01', receipt: 'RC-9' });
    const scanned = await world.statements.fresh('scan:RC-9', 'erp');
    expect(scanned).toMatchObject({ outcome: 'incomplete', revision: 0 });
    const pulls = await world.database.db
      .selectFrom('statement_pull')
      .select(['receipt_id', 'outcome', 'caller'])
      .execute();
    expect(pulls).toEqual([
      { receipt_id: 'never seen', outcome: 'incomplete', caller: 'erp' },
      { receipt_id: 'scan:RC-9', outcome: 'incomplete', caller: 'erp' },
    ]);
  });

  it('rule 14: zero containers are incomplete', async () => {
    const world = await StatementWorld.open();
    await world.announce({ containers: [] });
    expect(await world.statements.fresh('R-1', 'erp')).toMatchObject({
      outcome: 'incomplete',
      revision: 1,
      containers: [],
    });
  });

  it('rule 18: a pull answers against the last committed fact even when nobody evaluated it', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.database.db
      .updateTable('result')
      .set({ contrary: 1 })
      .where('id', '=', 'row-1')
      .execute();
    const pulled = await world.statements.fresh('R-1', 'erp');
    expect(pulled).toMatchObject({
      outcome: 'does-not-conform',
      revision: 4,
      stopInForce: { kind: 'withdraw', statementRevision: 4 },
    });
    expect(await world.stops()).toEqual(['4 withdraw']);
    // Its messages need not wait for the next sweep.
    expect(world.pulledNews).toBe(1);
    await world.statements.fresh('R-1', 'erp');
    expect(world.pulledNews).toBe(1);
  });

  it('rule 18: a pull is stamped with its own instant and validity', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    world.clock.advance(60_000);
    const pulled = await world.statements.fresh('R-1', 'erp');
    expect(pulled).toMatchObject({
      outcome: 'conforms',
      revision: 3,
      evaluatedAt: '2026-03-04T09:01:00.000000Z',
      validUntil: '2026-03-04T09:11:00.000000Z',
    });
  });

  it('rule 20: a stop latches when the evidence looks good again', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.setDeliveries('result', 'uncertain');
    await world.statements.evaluateDue(10);
    expect(await world.stops()).toEqual(['4 suspend']);
    await world.setDeliveries('result', 'confirmed');
    await world.statements.evaluateDue(10);
    const again = await world.statements.fresh('R-1', 'erp');
    expect(again).toMatchObject({ outcome: 'incomplete', stopInForce: { kind: 'suspend' } });
    expect(again.conditions.filter((c) => c.state === 'unmet').map((c) => c.code)).toEqual([
      'no-stop-in-force',
    ]);
    expect((await world.messages()).at(-1)).toMatch(/^erp stop \d due$/);
  });

  it('rule 20: a suspended receipt whose drum then fails is withdrawn', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.setDeliveries('result', 'uncertain');
    await world.statements.evaluateDue(10);
    await world.measure({ container: 'D-01', decision: 'no-match' });
    expect(await world.stops()).toEqual(['4 suspend', '5 withdraw']);
  });

  it('rule 20: a retest date reached is a stop, a statement that ran out is none', async () => {
    const world = await StatementWorld.open();
    await world.announce({ retestAt: time('12:00') });
    await world.measure({ container: 'D-01' }, { container: 'D-02' });
    await world.hear('NQ-R-0001', time('08:59'));
    await world.hear('NQ-R-0002', time('08:59'));
    await world.setDeliveries('result', 'confirmed');
    await world.statements.evaluateDue(10);
    world.clock.advance(2 * 3_600_000);
    await world.statements.evaluateDue(10);
    expect((await world.statements.fresh('R-1', 'erp')).outcome).toBe('conforms');
    expect(await world.stops()).toEqual([]);
    world.clock.advance(3_600_000);
    expect(await world.statements.evaluateDue(10)).toMatchObject([
      { outcome: 'incomplete', stop: 'suspend' },
    ]);
    expect(await world.statements.evaluateDue(10)).toEqual([]);
  });

  it('rule 20: a changed expectation suspends a conforming receipt in its own transaction', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    const same = await world.announce();
    expect(same.ok && same.lines[0]?.outcome).toBe('unchanged');
    expect(await world.stops()).toEqual([]);
    const changed = await world.announce({ quantity: '49 kg' });
    expect(changed.ok && changed.lines[0]).toMatchObject({ outcome: 'changed', revision: 2 });
    expect(await world.stops()).toEqual(['4 suspend']);
    expect((await world.statements.fresh('R-1', 'erp')).outcome).toBe('incomplete');
  });

  it('rule 20: a plan tightened or a method no longer approved is a stop once the site folder is active', async () => {
    const tightened = { ...site, methods: site.methods.map((m) => ({ ...m, approvals: [] })) };
    const world = await StatementWorld.open();
    await world.conform();
    const active = world.withSite(tightened);
    await active.database.transact((trx) => markAnnouncedReceiptsDue(trx, site.site));
    expect(await active.statements.evaluateDue(10)).toMatchObject([
      { outcome: 'incomplete', stop: 'suspend' },
    ]);
  });

  it('rule 21: a conforms in flight is fenced by the stop, and the stop carries a higher revision', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.setDeliveries('statement', 'sending');
    await world.measure({ container: 'D-01', decision: 'fail' });
    const fenced = await world.database.db
      .selectFrom('delivery')
      .select(['state', 'fence', 'subject_revision'])
      .where('barrier', '=', 1)
      .execute();
    expect(fenced).toEqual([
      { state: 'uncertain', fence: 2, subject_revision: 3 },
      { state: 'uncertain', fence: 2, subject_revision: 3 },
    ]);
    expect(await world.stops()).toEqual(['4 withdraw']);
  });

  it('rule 21: a stop that the destination does not show is re-asserted as a new revision', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.measure({ container: 'D-01', decision: 'fail' });
    await world.setDeliveries('result', 'confirmed');
    await world.statements.evaluateDue(10);
    const before = await world.stops();
    await world.setDeliveries('stop', 'accepted', 'not-effective');
    await world.statements.evaluateDue(10);
    const after = await world.stops();
    expect(after).toHaveLength(before.length + 1);
    await world.statements.evaluateDue(10);
    expect(await world.stops()).toEqual(after);
  });

  it('keeps no receipt waiting behind one that cannot be evaluated', async () => {
    const world = await StatementWorld.open();
    const ids = [1, 2, 3, 4, 5, 6].map((n) => `R-${n}`);
    await world.announce(
      ...ids.map((receiptId, n) => ({ receiptId, scanText: `RC-${n}`, line: `${n}0` })),
    );
    const { db } = world.database;
    await db.updateTable('receipt').set({ evaluation_due: 1 }).execute();
    const { statements } = world;
    const evaluate = statements.evaluateInTransaction.bind(statements);
    const broken = vi
      .spyOn(statements, 'evaluateInTransaction')
      .mockImplementation((trx, id, now) =>
        id === 'R-1' ? Promise.reject(new Error('it is broken')) : evaluate(trx, id, now),
      );
    await expect(statements.evaluateDue(10)).rejects.toThrow('it is broken');
    broken.mockRestore();
    const due = await db
      .selectFrom('receipt')
      .select('id')
      .where('evaluation_due', '=', 1)
      .execute();
    expect(due.map(({ id }) => id)).toEqual(['R-1']);
  });

  it('keeps no receipt waiting behind others whose stops do not get through', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.announce({ receiptId: 'R-2', scanText: 'R-2', line: '20' });
    await world.measure({ container: 'D-01', decision: 'fail' });
    await world.setDeliveries('stop', 'accepted', 'not-effective');
    const mark = (id: string, due: 0 | 1) =>
      world.database.db
        .updateTable('receipt')
        .set({ evaluation_due: due })
        .where('id', '=', id)
        .execute();
    await mark('R-1', 0);
    await mark('R-2', 1);
    const evaluated = await world.statements.evaluateDue(1);
    expect(evaluated.map(({ receiptId }) => receiptId).sort()).toEqual(['R-1', 'R-2']);
  });

  it('counts a stop as effective only when every acting destination confirmed it', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.measure({ container: 'D-01', decision: 'fail' });
    const update = () =>
      world.database.transact((trx) =>
        world.statements.updateStopEffectiveness(trx, world.clock.now()),
      );
    await world.setDeliveries('stop', 'accepted');
    expect(await update()).toEqual([]);
    await world.setDeliveries('stop', 'confirmed');
    expect(await update()).toEqual(['R-1']);
    expect(await update()).toEqual([]);
    const stop = await world.database.db
      .selectFrom('stop')
      .select('effective_at')
      .executeTakeFirstOrThrow();
    expect(stop.effective_at).toBe(world.clock.now());
  });

  it('counts an earlier stop as effective once a later one is', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.setDeliveries('result', 'uncertain');
    await world.statements.evaluateDue(10);
    await world.setDeliveries('stop', 'superseded');
    await world.measure({ container: 'D-01', decision: 'fail' });
    const update = () =>
      world.database.transact((trx) =>
        world.statements.updateStopEffectiveness(trx, world.clock.now()),
      );
    expect(await update()).toEqual([]);
    await world.setDeliveries('stop', 'confirmed');
    expect(await update()).toEqual(['R-1', 'R-1']);
  });

  it('reaches the same verdict in whatever order the events come', async () => {
    const events: [string, (w: StatementWorld) => Promise<unknown>][] = [
      ['announce', (w) => w.announce()],
      ['pass D-01', (w) => w.measure({ container: 'D-01' })],
      ['pass D-02', (w) => w.measure({ container: 'D-02', instrument: 'NQ-R-0002' })],
      ['fail D-02', (w) => w.measure({ container: 'D-02', decision: 'fail' })],
      [
        'sync',
        async (w) => {
          await w.hear('NQ-R-0001', time('08:59'));
          await w.hear('NQ-R-0002', time('08:59'));
        },
      ],
    ];
    const verdicts = new Set<string>();
    for (const withFail of [true, false]) {
      for (let rotation = 0; rotation < 5; rotation++) {
        const order = [...events.slice(rotation), ...events.slice(0, rotation)];
        for (const sequence of [order, [...order].reverse()]) {
          const world = await StatementWorld.open();
          for (const [name, event] of sequence)
            if (withFail || !name.startsWith('fail')) await event(world);
          await world.setDeliveries('result', 'confirmed');
          await world.statements.evaluateDue(10);
          const { outcome, conditions, containers } = await world.statements.fresh('R-1', 'erp');
          const states = conditions
            .filter((c) => c.code !== 'no-stop-in-force')
            .map((c) => c.state);
          verdicts.add(JSON.stringify([withFail, outcome, states, containers.map((c) => c.state)]));
        }
      }
    }
    expect([...verdicts].map((v) => (JSON.parse(v) as unknown[]).slice(0, 2))).toEqual([
      [true, 'does-not-conform'],
      [false, 'conforms'],
    ]);
  }, 300_000);

  it('evaluates a receipt of twenty thousand containers', async () => {
    const world = await StatementWorld.open();
    const labels = Array.from({ length: 20_000 }, (_, i) => `D-${i}`);
    await world.announce({ containers: labels });
    await world.measure({ container: 'D-0' });
    const statement = await world.statements.fresh('R-1', 'erp');
    expect(statement.containers).toHaveLength(20_000);
    expect(statement.outcome).toBe('incomplete');
    expect(statement.plan).toEqual({ kind: 'every', required: 20_000, decision: 'D-002' });
  });
});
