import { afterEach, describe, expect, it } from 'vitest';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type WorldOptions } from '../support/gateway-world.js';
import { erpUsage, found, stateOf, toldErp } from './observe.js';

/** Ways to a wrong release, each lived through with the whole gateway between two systems that act on it. */

const [FIRST, SECOND] = EAST;

let world: GatewayWorld;
let dock: Dock;

async function openWorld(options: WorldOptions = {}): Promise<void> {
  world = await GatewayWorld.open(options);
  dock = new Dock(world);
}

afterEach(async () => {
  await world.close();
});

describe('rule 1: the subject is the receipt line, not the lot', () => {
  it('judges a second shipment of a conforming lot by itself, although its drums bear the same labels', async () => {
    await openWorld();
    const first = receiptOf(1);
    const second = receiptOf(2, {
      siteLot: first.siteLot,
      supplierLot: first.supplierLot,
      drums: first.drums,
    });
    await dock.conform(first);
    await dock.announce(second);
    const unmeasured = await world.says(second.id, 'incomplete');
    expect(unmeasured.containers.map((c) => c.state)).toEqual(['not-measured', 'not-measured']);

    dock.measure(FIRST, second, 'D1-01', { holds: 'naphthalene' });
    dock.measure(FIRST, second, 'D1-02');
    await dock.sync(FIRST);
    const statement = await world.says(second.id, 'does-not-conform');
    expect(stateOf(statement, 'D1-01')).toBe('contrary');
    expect((await world.statement(first.id)).outcome).toBe('conforms');
    await world.until('ERP released it', () => erpUsage(world, first.id) === 'released');
    await world.quiet();
    expect(toldErp(world, second.id)).not.toContain('USE-PERMITTED');
    expect([first, second].map((r) => erpUsage(world, r.id))).toEqual(['released', 'blocked']);
  });
});

describe('rule 3: coverage by a method for what ERP expects', () => {
  it('holds a pass by the method of another material and leaves its container uncovered', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    // The drum holds naphthalene, the operator picks naphthalene, and the pass is a true one of that.
    dock.measure(FIRST, receipt, 'D1-01', { holds: 'naphthalene', picks: 'NQ-1002' });
    const typedRight = { material: receipt.material };
    dock.measure(FIRST, receipt, 'D1-02', {
      holds: 'naphthalene',
      picks: 'NQ-1002',
      says: typedRight,
    });
    const bundle = await dock.sync(FIRST);
    await dock.sync(SECOND);
    expect(bundle.state).toBe('accepted');
    const holding = bundle.findings.map((f) => `${f.code} ${f.pointer}`);
    expect(holding).toContain('material-other /results/0/material');
    expect(holding).toContain('method-not-approved /results/0/method');
    expect(holding).toContain('method-other-material /results/1/material');
    const statement = await world.statement(receipt.id);
    expect(statement.outcome).toBe('incomplete');
    expect(statement.containers.map((c) => c.state)).toEqual(['not-measured', 'not-measured']);
    expect(found(statement, 'methods-by-content').state).toBe('unmet');
    const results = await world.db.selectFrom('result').select(['decision', 'state']).execute();
    expect(results).toEqual([
      { decision: 'pass', state: 'held' },
      { decision: 'pass', state: 'held' },
    ]);
    await world.quiet();
    expect(world.lims.ledger.books.messages).toEqual([]);
  });
});

describe('rule 8: a fail counts as soon as it can be read', () => {
  it('stops a receipt that conformed although the bundle with the fail is held', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.conform(receipt);
    await world.until('ERP released it', () => erpUsage(world, receipt.id) !== 'none');

    dock.measure(FIRST, receipt, 'D1-01', { holds: 'sulfur', at: world.clock.now() });
    const { document, sha256 } = dock.pack(FIRST);
    const spoilt = { ...document, results: document.results.map((r) => ({ ...r, lot: 'X' })) };
    const bundle = await world.take({ bytes: Buffer.from(JSON.stringify(spoilt)), sha256 });
    expect(bundle.state).toBe('held');
    expect(bundle.findings.map((f) => f.code)).toContain('part-digest');

    const statement = await world.says(receipt.id, 'does-not-conform');
    expect(statement.stopInForce).toMatchObject({ kind: 'withdraw' });
    expect(found(statement, 'no-contrary-result').found).toContain('(held)');
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
    await world.quiet();
    expect(toldErp(world, receipt.id).at(-1)).toBe('BLOCK-CONTRARY');
  });
});

describe('rules 8, 9 and 20: nobody knows which of two copies is the true one', () => {
  it('suspends the receipt that the copy made conform once the true one comes, and withdraws it at LIMS', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    const elsewhere = receiptOf(2, { area: 'west-dock' });
    await dock.announce(receipt, elsewhere);
    dock.measure('NQ-R-0003', elsewhere, 'D2-01');
    const truth = dock.pack('NQ-R-0003');
    const [source] = truth.document.results;
    if (source === undefined) throw new Error('nothing was measured');

    const copy = dock.measure(FIRST, receipt, 'D1-01', {
      says: { spectrum: source.spectrum, score: source.score },
    });
    dock.measure(FIRST, receipt, 'D1-02');
    for (const serial of EAST) await dock.sync(serial);
    await world.says(receipt.id, 'conforms');
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
    await world.quiet();
    expect(limsMessages()).toEqual(['result', 'result']);

    await world.take(truth);
    const statement = await world.statement(receipt.id);
    expect(statement).toMatchObject({ outcome: 'incomplete', stopInForce: { kind: 'suspend' } });
    expect(stateOf(statement, 'D1-02')).toBe('covered');
    expect(stateOf(statement, 'D1-01')).not.toBe('covered');
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
    await world.quiet();
    expect(toldErp(world, receipt.id).at(-1)).toBe('BLOCK-DOUBT');
    expect(limsMessages()).toEqual(['result', 'result', 'withdrawal']);
    const rows = await world.db
      .selectFrom('result')
      .innerJoin('finding', 'finding.result_row_id', 'result.id')
      .select(['result.result_id', 'result.state', 'finding.code'])
      .where('finding.severity', '=', 'hold')
      .orderBy('finding.code')
      .execute();
    expect(rows).toEqual([
      { result_id: source.resultId, state: 'held', code: 'spectrum-duplicate-earlier' },
      { result_id: copy, state: 'held', code: 'spectrum-duplicate-later' },
    ]);
  });

  function limsMessages(): string[] {
    return world.lims.ledger.books.messages.map((m) => m.messageType);
  }
});

describe('rule 10: evidence without an owner blocks by scope', () => {
  it('suspends the receipts a contrary result of an unknown receipt could belong to, and no others', async () => {
    await openWorld();
    const here = receiptOf(1);
    const elsewhere = receiptOf(2, { area: 'west-dock' });
    await dock.conform(here);
    await dock.conform(elsewhere);

    const smudged = receiptOf(3, { scanText: 'NQ?/1' });
    dock.measure(SECOND, smudged, 'D?', { holds: 'naphthalene', at: world.clock.now() });
    await dock.sync(SECOND);
    const statement = await world.says(here.id, 'incomplete');
    expect(statement.stopInForce).toMatchObject({ kind: 'suspend' });
    expect(found(statement, 'no-open-discrepancy').found).toContain('contrary-unowned');
    await world.until('ERP blocked it', () => erpUsage(world, here.id) === 'blocked');
    await world.quiet();
    expect(toldErp(world, here.id).at(-1)).toBe('BLOCK-DOUBT');
    expect((await world.statement(elsewhere.id)).outcome).toBe('conforms');
    expect(erpUsage(world, elsewhere.id)).toBe('released');

    // Its owner turns up: the doubt is gone, the stop stays until somebody signs for it.
    await dock.announce(smudged);
    expect((await world.statement(smudged.id)).outcome).toBe('does-not-conform');
    const later = await world.statement(here.id);
    expect(found(later, 'no-open-discrepancy').state).toBe('met');
    expect(later).toMatchObject({ outcome: 'incomplete', stopInForce: { kind: 'suspend' } });
  });

  it('blocks by a gap in the runs until the bundle that was late closes it', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    dock.measure(FIRST, receipt, 'D1-01');
    const late = dock.pack(FIRST);
    dock.measure(FIRST, receipt, 'D1-02');
    expect((await dock.sync(FIRST)).findings.map((f) => f.code)).toContain('run-gap');
    dock.measure(SECOND, receipt, 'D1-01');
    await dock.sync(SECOND);
    await world.quiet();
    const blocked = await world.statement(receipt.id);
    expect(blocked.outcome).toBe('incomplete');
    expect(blocked.containers.map((c) => c.state)).toEqual(['covered', 'covered']);
    expect(blocked.conditions.filter((c) => c.state === 'unmet').map((c) => c.code)).toEqual([
      'no-open-discrepancy',
    ]);
    expect(found(blocked, 'no-open-discrepancy').found).toContain('run-gap');

    expect((await world.take(late)).state).toBe('accepted');
    const conforms = await world.says(receipt.id, 'conforms');
    expect(conforms.stopInForce).toBeNull();
    const gaps = await world.db
      .selectFrom('discrepancy')
      .selectAll()
      .where('derived', '=', 0)
      .execute();
    expect(gaps.map((d) => [d.class, d.closed_at !== null])).toEqual([['run-gap', true]]);
  });

  it('blocks by bytes that nobody can read, for every receipt that was there', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.conform(receipt);
    expect((await world.postBundle('{"bundleId": "B', 'torn')).status).toBe(422);
    const statement = await world.statement(receipt.id);
    expect(statement).toMatchObject({ outcome: 'incomplete', stopInForce: { kind: 'suspend' } });
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
  });
});

describe('rule 11: heard from every instrument of the area', () => {
  it('waits for the handheld that has not synced, which brings the fail', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    for (const { label } of receipt.drums) dock.measure(FIRST, receipt, label);
    dock.measure(SECOND, receipt, 'D1-02', { holds: 'sulfur' });
    await dock.sync(FIRST);
    await world.quiet();
    const waiting = await world.statement(receipt.id);
    expect(waiting.outcome).toBe('incomplete');
    expect(waiting.conditions.filter((c) => c.state === 'unmet').map((c) => c.code)).toEqual([
      'heard-from-every-instrument',
    ]);
    expect(found(waiting, 'heard-from-every-instrument').found).toContain(SECOND);

    await dock.sync(SECOND);
    await world.says(receipt.id, 'does-not-conform');
    await world.quiet();
    expect(toldErp(world, receipt.id)).not.toContain('USE-PERMITTED');
    expect(erpUsage(world, receipt.id)).toBe('blocked');
  });

  it('is told to the ERP once the last handheld is heard, although nobody asks for the statement', async () => {
    await openWorld({ erpPulls: false });
    const [heard, gapped] = [receiptOf(1), receiptOf(2, { area: 'west-dock' })];
    await dock.announce(heard, gapped);
    for (const { label } of heard.drums) dock.measure(FIRST, heard, label);
    await dock.sync(FIRST);
    dock.measure('NQ-R-0003', gapped, 'D2-01');
    const late = dock.pack('NQ-R-0003');
    for (const { label } of gapped.drums) dock.measure('NQ-R-0004', gapped, label);
    await dock.sync('NQ-R-0004');
    dock.measure('NQ-R-0003', gapped, 'D2-02');
    await dock.sync('NQ-R-0003');
    await world.quiet();
    expect([toldErp(world, heard.id).at(-1), toldErp(world, gapped.id).at(-1)]).toEqual([
      'AWAITING',
      'AWAITING',
    ]);
    await dock.sync(SECOND);
    await world.until('ERP heard of it', () => toldErp(world, heard.id).includes('USE-PERMITTED'));
    await world.take(late);
    await world.until('ERP heard of it', () => toldErp(world, gapped.id).includes('USE-PERMITTED'));
  });

  it('is not heard early by a handheld whose last sync lies before the measurement', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    await dock.sync(SECOND);
    for (const { label } of receipt.drums) {
      dock.measure(FIRST, receipt, label, { at: world.clock.now() });
    }
    await dock.sync(FIRST);
    await world.quiet();
    const statement = await world.statement(receipt.id);
    expect(found(statement, 'heard-from-every-instrument')).toMatchObject({ state: 'unmet' });
    expect(statement.outcome).toBe('incomplete');
  });
});

describe('rule 12: an operator takes no fail back alone', () => {
  it('leaves a fail standing that a later pass says to replace', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    const fail = dock.measure(FIRST, receipt, 'D1-01', { holds: 'naphthalene' });
    const supersedes = { resultId: fail, reason: 'dirty window' };
    dock.measure(FIRST, receipt, 'D1-01', { says: { supersedes } });
    dock.measure(FIRST, receipt, 'D1-02');
    const bundle = await dock.sync(FIRST);
    await dock.sync(SECOND);
    expect(bundle.findings.map((f) => f.code)).toContain('supersession-claimed');
    const statement = await world.says(receipt.id, 'does-not-conform');
    expect(found(statement, 'no-contrary-result').found).toContain(fail);
    await world.quiet();
    const [row] = await world.db
      .selectFrom('result')
      .select('state')
      .where('result_id', '=', fail)
      .execute();
    expect(row).toEqual({ state: 'accepted' });
    const types = world.lims.ledger.books.messages.map((m) => m.messageType);
    expect(types).toEqual(['result', 'result', 'result']);
    expect(toldErp(world, receipt.id)).not.toContain('USE-PERMITTED');
  });
});
