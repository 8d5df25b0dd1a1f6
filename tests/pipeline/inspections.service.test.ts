import { describe, expect, it } from 'vitest';
import { InspectionsService } from '../../src/pipeline/inspections.service.js';
import { ReceiptChangesService } from '../../src/receipts/receipt-changes.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { at, goodParts, goodResult, SITE } from '../checks/fixture.js';
import { COMMAND_LINE } from '../support/people.js';
import { ReviewBench } from './review-bench.js';

/** Labels and damage inspected by plans of the site, entered by signature, over a store. */

const WITH_PLAN: SiteFolder = {
  ...SITE,
  attributePlans: [
    {
      material: 'M-1',
      manufacturer: null,
      supplier: null,
      attribute: 'labels',
      level: 'II',
      aql: '6.5',
      decision: 'D-9',
      expires: at('2030-01-01T00:00:00Z'),
    },
  ],
  decisions: [
    {
      id: 'D-9',
      rule: 'attribute-plans',
      decidedBy: 'Head of Quality, Northquay (simulated)',
      date: '2026-01-05',
      reason: 'training',
      signed: false,
    },
  ],
};

/** MIL-STD-105E tables I and II-A (as ISO 2859-1): lot of 2, level II, AQL 6.5: letter A, 2 inspected, Ac 0. */
const CLEAN = { attribute: 'labels', inspected: 2, nonconforming: 0 } as const;

async function world(site: SiteFolder = WITH_PLAN) {
  const bench = await ReviewBench.open(site);
  const { database, clock, statements } = bench.bench;
  await bench.announce();
  await bench.settle(goodParts([goodResult(1, {})]));
  const inspections = new InspectionsService({
    database,
    clock,
    site,
    statements,
    signing: bench.signing,
    onReported: () => undefined,
  });
  const report = async (
    who: SigningRequest,
    changes: Partial<Omit<typeof CLEAN, 'inspected' | 'nonconforming' | 'attribute'>> & {
      readonly attribute?: 'labels' | 'damage';
      readonly inspected?: number;
      readonly nonconforming?: number;
      readonly at?: string;
      readonly shown?: string;
      readonly receiptId?: string;
    } = {},
  ) => {
    const {
      at: text = '2026-07-01T10:30:00+01:00',
      shown,
      receiptId = 'R-1',
      ...counted
    } = changes;
    const shownSha256 = shown ?? (await inspections.show(receiptId))?.sha256 ?? '';
    clock.advance(1000);
    const inspectedAt = { text, instant: at(text) };
    return inspections.report(
      receiptId,
      {
        shownSha256,
        report: { ...CLEAN, ...counted, inspectedBy: 'A. Receiver', inspectedAt },
        reason: 'count sheet 12',
      },
      who,
    );
  };
  const condition = async (receiptId = 'R-1') => {
    const { conditions } = await statements.fresh(receiptId, 'tester');
    return conditions.find((c) => c.code === 'attribute-inspections');
  };
  return { bench, inspections, report, condition };
}

describe('an inspection of labels or damage', () => {
  it('is asked for from the announcement on, and met once somebody signed what the plan accepts', async () => {
    const { bench, inspections, report, condition } = await world();
    expect(await condition()).toMatchObject({ state: 'unmet' });
    const robin = await bench.person('robin');
    expect(await report(robin, { inspected: 1 })).toMatchObject({ kind: 'signed' });
    expect(await condition()).toMatchObject({
      state: 'unmet',
      found: 'labels: 1 inspected, the plan asks for 2 of 2 (level II, AQL 6.5)',
    });
    const answer = await report(robin);
    expect(answer).toMatchObject({ kind: 'signed', signature: { meaning: 'reviewed' } });
    expect(await condition()).toMatchObject({ state: 'met' });
    expect(await inspections.show('R-1')).toMatchObject({
      containers: 2,
      plans: [{ attribute: 'labels', n: 2, accept: 0, reject: 1, state: 'accepted' }],
      inspections: [{ inspected: 1 }, { inspected: 2, inspectedAt: '2026-07-01T10:30:00+01:00' }],
    });
    const [, entry] = await bench.trail('receipt.inspected');
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({
      ...CLEAN,
      rejected: false,
      inspectedBy: 'A. Receiver',
      signature: { meaning: 'reviewed' },
    });
  });

  it('is entered once, however often the same is sent, and from no page that is out of date', async () => {
    const { bench, inspections, report } = await world();
    const robin = await bench.person('robin');
    const shown = (await inspections.show('R-1'))?.sha256 ?? '';
    const first = await report(robin, { shown });
    expect(await report(robin, { shown })).toEqual(first);
    expect(await report(robin, { shown, nonconforming: 1 })).toMatchObject({
      why: 'signature-stale',
    });
    const both = await Promise.all([report(robin), report(robin)]);
    expect(both[0]).toEqual(both[1]);
    expect((await inspections.show('R-1'))?.inspections).toHaveLength(2);
    expect(await bench.trail('receipt.inspected')).toHaveLength(2);
  });

  it('stays rejected by its worst entry, also in what the receipt is split into', async () => {
    const { bench, report, condition } = await world();
    const robin = await bench.person('robin');
    await report(robin, { nonconforming: 1 });
    await report(robin);
    expect(await condition()).toMatchObject({
      state: 'unmet',
      found:
        'labels: 1 of 2 nonconforming, rejected by the plan, which accepts up to 0 of 2 (level II, AQL 6.5): the quality unit decides',
    });
    const { database, clock, statements, site } = bench.bench;
    const changes = new ReceiptChangesService(
      { site, evaluate: (trx, id, now) => statements.evaluateInTransaction(trx, id, now) },
      bench.receipts,
    );
    const parts = [
      { receiptId: 'R-1A', containers: ['C-1'] },
      { receiptId: 'R-1B', containers: ['C-2'] },
    ];
    const by = { actor: COMMAND_LINE, now: clock.now(), source: 'split' };
    const split = await database.transact((trx) =>
      changes.split(trx, { receiptId: 'R-1', seen: null, parts }, by),
    );
    expect(split).toMatchObject({ ok: true });
    expect(await report(robin, { receiptId: 'R-1A', inspected: 1 })).toMatchObject({
      kind: 'signed',
    });
    expect(await condition('R-1A')).toMatchObject({
      state: 'unmet',
      found: expect.stringContaining('rejected by the plan in receipt R-1') as string,
    });
    expect(await report(robin)).toMatchObject({ why: 'act-not-possible' });
  });

  it('is asked anew of what receipts are merged into, and a rejection of one part stays', async () => {
    const { bench, report, condition } = await world();
    const robin = await bench.person('robin');
    await report(robin);
    await bench.announce({
      receiptId: 'R-2',
      scanText: 'GR-2',
      line: '20',
      containers: ['C-3', 'C-4'],
    });
    expect(await report(robin, { receiptId: 'R-2', nonconforming: 1 })).toMatchObject({
      kind: 'signed',
    });
    const { database, clock, statements, site } = bench.bench;
    const changes = new ReceiptChangesService(
      { site, evaluate: (trx, id, now) => statements.evaluateInTransaction(trx, id, now) },
      bench.receipts,
    );
    const by = { actor: COMMAND_LINE, now: clock.now(), source: 'one lot' };
    const merged = await database.transact((trx) =>
      changes.merge(trx, { receiptId: 'R-3', parts: ['R-1', 'R-2'] }, by),
    );
    expect(merged).toMatchObject({ ok: true });
    expect(await condition('R-3')).toMatchObject({
      state: 'unmet',
      found:
        'labels: not inspected, the plan asks for 2 of 4 (level II, AQL 6.5); labels: rejected by the plan in receipt R-2 (level II, AQL 6.5): the quality unit decides',
    });
  });

  it('is not entered by who measured, without the right, by a wrong password, or as it cannot be', async () => {
    const { bench, report, condition } = await world();
    const robin = await bench.person('robin');
    const oona = await bench.person('oona', { operatorIds: ['op-1'] });
    expect(await report(oona)).toMatchObject({ why: 'duty-own-result' });
    const vera = await bench.person('vera', { roles: ['viewer'] });
    expect(await report(vera)).toMatchObject({ why: 'right-missing' });
    expect(await report({ ...robin, password: 'wrong' })).toMatchObject({ kind: 'not-proven' });
    expect(await report(robin, { receiptId: 'R-9' })).toEqual({ kind: 'unknown' });
    for (const changes of [
      { attribute: 'damage' },
      { inspected: 3 },
      { inspected: 1, nonconforming: 2 },
      { at: '2026-07-01T07:59:59Z' },
      { at: '2036-07-01T09:00:00Z' },
    ] as const) {
      expect(await report(robin, changes)).toMatchObject({ why: 'act-not-possible' });
    }
    expect(await bench.db.selectFrom('attribute_inspection').selectAll().execute()).toEqual([]);
    expect(await condition()).toMatchObject({ state: 'unmet' });
  });

  it('is kept as it was written', async () => {
    const { bench, report } = await world();
    await report(await bench.person('robin'));
    const { db } = bench;
    await expect(
      db.updateTable('attribute_inspection').set({ nonconforming: 1 }).execute(),
    ).rejects.toThrow('kept as written');
    await expect(db.deleteFrom('attribute_inspection').execute()).rejects.toThrow(
      'kept as written',
    );
  });

  it('is asked of no receipt of a site without such plans', async () => {
    const { bench, report, condition } = await world(SITE);
    expect(await condition()).toBeUndefined();
    expect(await report(await bench.person('robin'))).toMatchObject({ why: 'act-not-possible' });
    const { document } = await bench.db
      .selectFrom('receipt_revision')
      .select('document')
      .executeTakeFirstOrThrow();
    expect(document).not.toContain('attributePlans');
  });
});
