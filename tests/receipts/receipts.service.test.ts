import { describe, expect, it } from 'vitest';
import { resultSubject } from '../../src/receipts/evidence-subject.js';
import type { RevisionDocument } from '../../src/receipts/receipt-rows.js';
import { openDiscrepancy } from '../../src/reconciliation/discrepancies.store.js';
import { site as northquay, time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';

async function receiptRows(world: StatementWorld) {
  return world.database.db
    .selectFrom('receipt')
    .select(['id', 'announced', 'scan_text', 'revision'])
    .orderBy('id')
    .execute();
}

function outcomes(result: Awaited<ReturnType<StatementWorld['announce']>>) {
  return result.ok ? result.lines.map((l) => l.outcome) : result.faults.map((f) => f.rule);
}

describe('announcing receipts', () => {
  it('stores a new receipt, does nothing for the same words, and keeps every revision of a changed one', async () => {
    const world = await StatementWorld.open();
    expect(outcomes(await world.announce())).toEqual(['new']);
    expect(outcomes(await world.announce())).toEqual(['unchanged']);
    expect(outcomes(await world.announce({ quantity: '49 kg' }))).toEqual(['changed']);
    const revisions = await world.database.db
      .selectFrom('receipt_revision')
      .select(['revision', 'document', 'actor', 'source'])
      .orderBy('revision')
      .execute();
    const quantities = revisions.map(
      (r) => (JSON.parse(r.document) as RevisionDocument).inForce.quantity,
    );
    expect(quantities).toEqual(['50 kg', '49 kg']);
    expect(revisions[0]).toMatchObject({ revision: 1, actor: 'tester', source: 'expectation' });
    const actions = await world.database.db
      .selectFrom('audit_entry')
      .select('action')
      .where('actor', '=', 'tester')
      .execute();
    expect(actions.map((a) => a.action)).toEqual(['receipt.announced', 'receipt.changed']);
  });

  it('completes a receipt that a scan named first, links its results and closes what waited for an owner', async () => {
    const world = await StatementWorld.open();
    const [failed = ''] = await world.measure(
      { container: 'D-01', decision: 'fail' },
      { container: 'D-02' },
    );
    await world.database.transact((trx) =>
      openDiscrepancy(
        trx,
        {
          site: world.site.site,
          class: 'contrary-unowned',
          subject: resultSubject(failed),
          receiptId: null,
          containerLabel: null,
          destination: null,
          scope: {},
          detail: 'fail for RC-1',
          openedAt: world.clock.now(),
        },
        'Europe/Berlin',
      ),
    );
    expect(await receiptRows(world)).toEqual([
      { id: 'scan:RC-1', announced: 0, scan_text: 'RC-1', revision: 0 },
    ]);
    const announced = await world.announce();
    expect(announced.ok && announced.lines[0]).toMatchObject({
      outcome: 'completed',
      linkedResults: 2,
    });
    expect(await receiptRows(world)).toEqual([
      { id: 'R-1', announced: 1, scan_text: 'RC-1', revision: 1 },
    ]);
    const results = await world.database.db
      .selectFrom('result')
      .select(['receipt_id', 'container_label'])
      .orderBy('id')
      .execute();
    expect(results).toEqual([
      { receipt_id: 'R-1', container_label: 'D-01' },
      { receipt_id: 'R-1', container_label: 'D-02' },
    ]);
    const deliveries = await world.database.db
      .selectFrom('delivery')
      .select('receipt_id')
      .distinct()
      .execute();
    expect(deliveries).toEqual([{ receipt_id: 'R-1' }]);
    const trail = await world.database.db
      .selectFrom('audit_entry')
      .select(['actor', 'subject_id', 'after'])
      .where('action', '=', 'result.attributed')
      .orderBy('subject_id')
      .execute();
    expect(trail.map((entry) => [entry.actor, JSON.parse(entry.after ?? '')])).toEqual([
      ['tester', { receiptId: 'R-1', containerLabel: 'D-01' }],
      ['tester', { receiptId: 'R-1', containerLabel: 'D-02' }],
    ]);
    const discrepancy = await world.database.db
      .selectFrom('discrepancy')
      .selectAll()
      .executeTakeFirstOrThrow();
    expect(discrepancy).toMatchObject({
      closed_at: world.clock.now(),
      closing_evidence: 'receipt R-1 was announced',
    });
    expect(await world.told()).toEqual(['1 does-not-conform']);
  });

  it('lists a container that was measured before it was announced', async () => {
    const world = await StatementWorld.open();
    await world.announce({ containers: ['D-01'], dockCount: 2 });
    await world.measure({ container: 'D-01' }, { container: ' D-02' });
    const before = await world.statements.fresh('R-1', 'erp');
    expect(before.conditions.find((c) => c.code === 'no-open-discrepancy')?.state).toBe('unmet');
    const changed = await world.announce({ containers: ['D-01', 'D-02'] });
    expect(changed.ok && changed.lines[0]).toMatchObject({ outcome: 'changed', linkedResults: 1 });
    const after = await world.statements.fresh('R-1', 'erp');
    expect(after.containers.map((c) => c.state)).toEqual(['covered', 'covered']);
    expect(after.conditions.find((c) => c.code === 'no-open-discrepancy')?.state).toBe('met');
  });

  it('refuses the whole file when one scan text belongs to another receipt, and writes nothing', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    const refused = await world.announce(
      { receiptId: 'R-0', scanText: 'RC-0' },
      { receiptId: 'R-2', scanText: 'RC-1' },
    );
    expect(refused).toMatchObject({
      ok: false,
      faults: [{ rule: 'scan-text-taken', column: 'scan_text' }],
    });
    expect((await receiptRows(world)).map((r) => r.id)).toEqual(['R-1']);
  });

  it('tells the same lot and the same container label in two receipts apart by the scanned receipt', async () => {
    const world = await StatementWorld.open();
    await world.announce({}, { receiptId: 'R-2', line: '20', scanText: 'RC-2' });
    await world.measure({ container: 'D-01' }, { container: 'D-02', receipt: 'RC-2' });
    const states = async (id: string) =>
      (await world.statements.fresh(id, 'erp')).containers.map((c) => c.state);
    expect(await states('R-1')).toEqual(['covered', 'not-measured']);
    expect(await states('R-2')).toEqual(['not-measured', 'covered']);
  });

  it('rule 9: a container cannot leave a receipt once something of it was measured', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    await world.measure({ container: 'D-01' });
    const changed = await world.announce({ containers: ['D-01'], dockCount: 1 });
    expect(changed.ok && changed.lines[0]?.keptBack).toEqual([
      'container "D-02" stays expected',
      'the higher dock count stays',
    ]);
    expect((await world.statements.fresh('R-1', 'erp')).containers.map((c) => c.state)).toEqual([
      'covered',
      'not-measured',
    ]);
    expect(outcomes(await world.announce({ containers: ['D-01'], dockCount: 1 }))).toEqual([
      'unchanged',
    ]);
  });

  it('corrects a receipt freely while nothing of it was measured', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    await world.announce({ containers: ['D-09'], scanText: 'RC-7' });
    const statement = await world.statements.fresh('R-1', 'erp');
    expect(statement.containers.map((c) => c.label)).toEqual(['D-09']);
    expect((await receiptRows(world)).map((r) => r.scan_text)).toEqual(['RC-7']);
  });

  it('takes over a scan text that so far only a scan named', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    await world.measure({ container: 'D-01', receipt: 'RC-7' });
    const changed = await world.announce({ scanText: 'RC-7' });
    expect(changed.ok && changed.lines[0]).toMatchObject({ outcome: 'changed', linkedResults: 1 });
    expect(await receiptRows(world)).toEqual([
      { id: 'R-1', announced: 1, scan_text: 'RC-7', revision: 2 },
    ]);
  });

  it('takes up a plan that has come into force since, when it is announced again', async () => {
    const world = await StatementWorld.open({ ...northquay, plans: [] });
    await world.announce();
    expect(outcomes(await world.announce())).toEqual(['unchanged']);
    expect((await world.statements.fresh('R-1', 'erp')).plan).toBeNull();
    const planned = world.withSite(northquay);
    expect(outcomes(await planned.announce())).toEqual(['changed']);
    expect((await planned.statements.fresh('R-1', 'erp')).plan).toMatchObject({ required: 2 });
  });

  it('counts the facts version up with every change of a receipt', async () => {
    const world = await StatementWorld.open();
    const version = async () =>
      (
        await world.database.db
          .selectFrom('receipt')
          .select('facts_version')
          .executeTakeFirstOrThrow()
      ).facts_version;
    await world.announce();
    const first = await version();
    await world.announce({ retestAt: time('20:00') });
    expect(await version()).toBeGreaterThan(first);
  });

  it('takes a receipt without containers and one of twenty thousand', async () => {
    const world = await StatementWorld.open();
    const labels = Array.from({ length: 20_000 }, (_, i) => `D-${i}`);
    await world.announce(
      { containers: [] },
      { receiptId: 'R-2', scanText: 'RC-2', containers: labels },
    );
    const rows = await world.database.db
      .selectFrom('container')
      .select((e) => ['receipt_id', e.fn.countAll<number>().as('n')])
      .groupBy('receipt_id')
      .execute();
    expect(rows).toEqual([{ receipt_id: 'R-2', n: 20_000 }]);
  });
});
