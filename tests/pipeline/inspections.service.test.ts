import { describe, expect, it } from 'vitest';
import { InspectionsService } from '../../src/pipeline/inspections.service.js';
import { ReceiptChangesService } from '../../src/receipts/receipt-changes.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { at, goodParts, goodResult, SITE } from '../checks/fixture.js';
import { COMMAND_LINE } from '../support/people.js';
import { ended, ReviewBench } from './review-bench.js';

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
  /** Lifts the first count of a receipt that was entered with a nonconforming one. */
  const lift = async (
    who: SigningRequest,
    changes: { readonly receiptId?: string; readonly inspectionId?: string; shown?: string } = {},
  ) => {
    const { receiptId = 'R-1' } = changes;
    const counts = (await inspections.show(receiptId))?.inspections ?? [];
    const inspectionId =
      changes.inspectionId ?? counts.find((c) => c.nonconforming > 0)?.id ?? 'none';
    const shown = await inspections.showLift(receiptId, inspectionId);
    clock.advance(1000);
    return inspections.lift(
      receiptId,
      {
        inspectionId,
        investigation: 'INV-26-040',
        shownSha256: changes.shown ?? shown?.sha256 ?? '',
        reason: 'two counts were swapped',
      },
      who,
    );
  };
  return { bench, inspections, report, condition, lift };
}

function changesOf(bench: ReviewBench) {
  const { site, statements } = bench.bench;
  return new ReceiptChangesService(
    { site, evaluate: (trx, id, now) => statements.evaluateInTransaction(trx, id, now) },
    bench.receipts,
  );
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

  it('that was entered wrongly rejects until a second person lifts it by signature', async () => {
    const { bench, inspections, report, condition, lift } = await world();
    const robin = await bench.person('robin', { roles: ['reviewer', 'signer'] });
    const sina = await bench.person('sina', { roles: ['signer'] });
    await report(robin, { nonconforming: 1 });
    await report(robin);
    const statement = async () => (await bench.bench.statements.fresh('R-1', 'tester')).revision;
    const before = await statement();
    expect(await condition()).toMatchObject({ state: 'unmet' });
    // Who entered it, measured, may not sign, or proves nothing, lifts nothing.
    expect(await lift(robin)).toMatchObject({ why: 'duty-own-result' });
    await ended(bench, 'robin');
    const predecessor = { userName: 'robin', reason: 'came back' };
    const robin2 = await bench.person('robin2', { roles: ['reviewer', 'signer'], predecessor });
    expect(await lift(robin2)).toMatchObject({ why: 'duty-own-result' });
    const oona = await bench.person('oona', { operatorIds: ['op-1'], roles: ['signer'] });
    expect(await lift(oona)).toMatchObject({ why: 'duty-own-result' });
    const alex = await bench.person('alex');
    expect(await lift(alex)).toMatchObject({ why: 'right-missing' });
    expect(await lift({ ...sina, password: 'wrong' })).toMatchObject({ kind: 'not-proven' });
    expect(await lift(sina, { shown: '0'.repeat(64) })).toMatchObject({ why: 'signature-stale' });
    expect(await lift(sina, { inspectionId: 'none' })).toEqual({ kind: 'unknown' });
    expect(await lift(sina, { receiptId: 'R-9' })).toEqual({ kind: 'unknown' });
    const clean = (await inspections.show('R-1'))?.inspections[1]?.id ?? '';
    expect(await lift(sina, { inspectionId: clean })).toMatchObject({ why: 'act-not-possible' });
    expect(await condition()).toMatchObject({ state: 'unmet' });
    expect(await bench.db.selectFrom('inspection_lift').selectAll().execute()).toEqual([]);

    expect(await lift(sina)).toMatchObject({ kind: 'signed', signature: { meaning: 'lifted' } });
    const met = await condition();
    expect(met).toMatchObject({
      state: 'met',
      found: expect.stringContaining(
        'the count of 1 of 2 nonconforming was lifted by Person sina (simulated): two counts were swapped (investigation INV-26-040)',
      ) as string,
    });
    expect(met?.evidence.map(({ kind }) => kind)).toEqual([
      'decision',
      'inspection',
      'inspection',
      'signature',
    ]);
    expect(await statement()).toBeGreaterThan(before);
    expect(await inspections.show('R-1')).toMatchObject({
      plans: [{ state: 'accepted' }],
      inspections: [{ lift: { isValid: true, investigation: 'INV-26-040' } }, {}],
    });
    const [entry] = await bench.trail('receipt.inspection-lifted');
    expect(JSON.parse(entry?.before ?? '')).toMatchObject({ nonconforming: 1, lifted: false });
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({
      investigation: 'INV-26-040',
      lifted: true,
      signature: { meaning: 'lifted' },
    });
    expect(await lift(sina)).toMatchObject({ why: 'act-not-possible' });
    // A later count that rejects does so by itself.
    await report(robin2, { nonconforming: 2 });
    expect(await condition()).toMatchObject({ state: 'unmet' });
    await expect(bench.db.deleteFrom('inspection_lift').execute()).rejects.toThrow('as written');
  });

  it('that is lifted in the receipt others came of rejects in those no more, once all of it is lifted', async () => {
    const { bench, report, condition, lift } = await world();
    const robin = await bench.person('robin');
    const sina = await bench.person('sina', { roles: ['signer'] });
    await report(robin, { nonconforming: 1 });
    await report(robin, { nonconforming: 2 });
    const parts = [
      { receiptId: 'R-1A', containers: ['C-1'] },
      { receiptId: 'R-1B', containers: ['C-2'] },
    ];
    const { database, clock } = bench.bench;
    const by = { actor: COMMAND_LINE, now: clock.now(), source: 'split' };
    const split = await database.transact((trx) =>
      changesOf(bench).split(trx, { receiptId: 'R-1', seen: null, parts }, by),
    );
    expect(split).toMatchObject({ ok: true });
    await report(robin, { receiptId: 'R-1A', inspected: 1 });
    expect(await lift(sina)).toMatchObject({ kind: 'signed' });
    expect(await condition('R-1A')).toMatchObject({
      state: 'unmet',
      found: expect.stringContaining('rejected by the plan in receipt R-1') as string,
    });
    const rows = await bench.db
      .selectFrom('attribute_inspection')
      .select('id')
      .where('nonconforming', '=', 2)
      .execute();
    const second = { inspectionId: rows[0]?.id ?? '' };
    expect(await lift(sina, second)).toMatchObject({ kind: 'signed' });
    expect(await condition('R-1A')).toMatchObject({ state: 'met' });
    expect(await condition('R-1B')).toMatchObject({
      state: 'unmet',
      found: 'labels: not inspected, the plan asks for 1 of 1 (level II, AQL 6.5)',
    });
  });

  it('stands when what lifts it is not as it was signed', async () => {
    const { bench, report, condition, lift } = await world();
    const robin = await bench.person('robin');
    const sina = await bench.person('sina', { roles: ['signer'] });
    await report(robin, { nonconforming: 1 });
    const before = await bench.db
      .selectFrom('attribute_inspection')
      .selectAll()
      .executeTakeFirstOrThrow();
    await report(robin, { nonconforming: 2 });
    expect(await lift(sina)).toMatchObject({ kind: 'signed' });
    // The signature of one count, written beside another.
    const { id: other } = await bench.db
      .selectFrom('attribute_inspection')
      .select('id')
      .where('id', '!=', before.id)
      .executeTakeFirstOrThrow();
    const row = await bench.db.selectFrom('inspection_lift').selectAll().executeTakeFirstOrThrow();
    await bench.db
      .insertInto('inspection_lift')
      .values({ ...row, inspection_id: other })
      .execute();
    expect(await condition()).toMatchObject({
      state: 'unmet',
      found: expect.stringContaining(
        'the count of 2 of 2 nonconforming stands: what lifts it is not as it was signed',
      ) as string,
    });
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
