import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { BundleResult } from '../../src/intake/result-bundle.js';
import type { Books } from '../../src/simulation/books.js';
import { readLeaves } from '../../src/simulation/held-fields.js';
import { Dock, EAST, receiptOf, remade } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';

/** Things that come twice, or in the wrong order, through the whole gateway: each counts once. */

const [FIRST, SECOND] = EAST;

let world: GatewayWorld;
let dock: Dock;

beforeAll(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
});

afterAll(async () => {
  await world.close();
});

/** How often each system holds a result, by its own books. */
function heldTimes(resultId: string): { lims: number; erp: number } {
  const times = ({ messages }: Books, field: string) =>
    messages.filter(
      (m) => m.messageType === 'result' && readLeaves(m.content).get(field) === resultId,
    ).length;
  return {
    lims: times(world.lims.ledger.books, 'resultId'),
    erp: times(world.erp.ledger.books, 'ResultId'),
  };
}

function bundlesOf(bundleId: string) {
  return world.db
    .selectFrom('bundle')
    .select(['id', 'state', 'duplicate_of', 'raw_sha256'])
    .where('bundle_id', '=', bundleId)
    .orderBy('received_at')
    .orderBy('id')
    .execute();
}

function resultsOf(resultId: string) {
  return world.db
    .selectFrom('result')
    .select(['id', 'state', 'lot', 'receipt_id', 'container_label'])
    .where('result_id', '=', resultId)
    .orderBy('id')
    .execute();
}

describe('receipt lines that are announced after their drums were measured', () => {
  it('find the results that waited for them, and conform', async () => {
    const receipt = receiptOf(1);
    await dock.measureAll(receipt);
    await world.quiet();
    const unannounced = await world.statement(receipt.id);
    expect(unannounced).toMatchObject({ outcome: 'incomplete', revision: 0 });
    await dock.announce(receipt);
    const statement = await world.says(receipt.id, 'conforms');
    expect(statement.containers.map((c) => c.state)).toEqual(['covered', 'covered']);
    for (const { resultIds } of statement.containers) {
      expect(resultIds.map((id) => heldTimes(id))).toEqual([{ lims: 1, erp: 1 }]);
    }
  });
});

describe('a bundle that comes a hundred times in parallel', () => {
  it('is one bundle, one result each, one delivery a destination', async () => {
    const receipt = receiptOf(2);
    await dock.announce(receipt);
    const ids = receipt.drums.map(({ label }) => dock.measure(FIRST, receipt, label));
    const bundle = dock.pack(FIRST);
    const answers = await Promise.all(
      Array.from({ length: 100 }, (_, i) => world.postBundle(bundle.bytes, `copy-${i}`)),
    );
    expect(new Set(answers.map((answer) => answer.status))).toEqual(new Set([202]));
    expect(new Set(answers.map((answer) => answer.json['intakeId'])).size).toBe(1);
    expect(answers.filter((answer) => answer.json['first'] === true)).toHaveLength(1);
    await world.settled(String(answers[0]?.json['intakeId']));
    await dock.sync(SECOND);
    await world.says(receipt.id, 'conforms');
    await world.quiet();

    expect(await bundlesOf(bundle.document.bundleId)).toHaveLength(1);
    for (const id of ids) {
      expect(await resultsOf(id)).toHaveLength(1);
      expect(heldTimes(id)).toEqual({ lims: 1, erp: 1 });
    }
  });

  it('is a duplicate of the first when its bytes differ and its content does not', async () => {
    const receipt = receiptOf(3);
    await dock.announce(receipt);
    const id = dock.measure(FIRST, receipt, 'D3-01');
    const bundle = dock.pack(FIRST);
    const first = await world.take(bundle);
    const spaced = Buffer.from(JSON.stringify(bundle.document, null, 2));
    const second = await world.take({ bytes: spaced, sha256: 'the same, spaced out' });
    expect([first.state, second.state]).toEqual(['accepted', 'duplicate']);
    expect(second.duplicateOf).toBe(first.intakeId);
    expect(await resultsOf(id)).toHaveLength(1);
    await world.quiet();
    expect(heldTimes(id)).toEqual({ lims: 1, erp: 1 });
  });
});

describe('a result that is sent again in another bundle', () => {
  it('counts once and is delivered once', async () => {
    const receipt = receiptOf(4);
    await dock.announce(receipt);
    const first = dock.measure(FIRST, receipt, 'D4-01');
    const before = dock.pack(FIRST);
    expect((await world.take(before)).state).toBe('accepted');
    const second = dock.measure(FIRST, receipt, 'D4-02');
    const after = dock.pack(FIRST).document;
    const [again] = before.document.results as [BundleResult];
    const bundle = await world.take(
      remade(after, {
        results: [again, ...after.results],
        runs: { ...after.runs, first: again.runNumber },
      }),
    );
    expect(bundle.state).toBe('accepted');
    expect(bundle.findings.map((f) => `${f.code} ${f.pointer}`)).not.toContain(
      'run-overlap /results/0/runNumber',
    );
    await dock.sync(SECOND);
    await world.says(receipt.id, 'conforms');
    expect(await resultsOf(first)).toHaveLength(1);
    expect([heldTimes(first), heldTimes(second)]).toEqual([
      { lims: 1, erp: 1 },
      { lims: 1, erp: 1 },
    ]);
  });
});

describe('one bundle id with two contents', () => {
  it('is kept twice, the second held and named as a conflict that stops what it could belong to', async () => {
    const receipt = receiptOf(5);
    await dock.announce(receipt);
    for (const { label } of receipt.drums) dock.measure(FIRST, receipt, label);
    const first = dock.pack(FIRST);
    await world.take(first);
    await dock.sync(SECOND);
    await world.says(receipt.id, 'conforms');

    const { bundleId, results } = first.document;
    const other = remade(first.document, {
      results: results.map((r, i) => (i === 0 ? { ...r, lot: 'NQL-OTHER' } : r)),
    });
    const shown = await world.take(other);
    expect(shown.state).toBe('held');
    expect(shown.findings.map((f) => f.code)).toEqual(
      expect.arrayContaining(['bundle-conflict', 'result-conflict']),
    );
    const bundles = await bundlesOf(bundleId);
    expect(bundles.map((b) => b.state)).toEqual(['accepted', 'held']);
    const bytes = await world.db.selectFrom('raw_bytes').select(['sha256', 'bytes']).execute();
    const kept = (sha256: string) =>
      Buffer.from(bytes.find((b) => b.sha256 === sha256)?.bytes ?? []).equals(
        Buffer.from(sha256 === first.sha256 ? first.bytes : other.bytes),
      );
    expect([kept(first.sha256), kept(other.sha256)]).toEqual([true, true]);
    const named = await world.db
      .selectFrom('discrepancy')
      .select(['class', 'subject'])
      .where('class', '=', 'conflict')
      .execute();
    expect(named).toEqual([{ class: 'conflict', subject: `bundle:${shown.intakeId}` }]);
    const report = await world.http({ path: '/api/v1/reconciliation' });
    expect(report.text).toContain(`bundle:${shown.intakeId}`);
    const rows = await resultsOf(results[0]?.resultId ?? '');
    expect(rows.map((r) => [r.state, r.lot])).toEqual([
      ['accepted', receipt.siteLot],
      ['held', 'NQL-OTHER'],
    ]);
    const statement = await world.says(receipt.id, 'incomplete');
    expect(statement.stopInForce).toMatchObject({ kind: 'suspend' });
    await world.quiet();
    expect(heldTimes(results[0]?.resultId ?? '')).toEqual({ lims: 1, erp: 1 });
  });
});
