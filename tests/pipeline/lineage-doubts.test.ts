import { describe, expect, it } from 'vitest';
import { enqueueDelivery } from '../../src/delivery/outbox.store.js';
import { ContainerRejectionService } from '../../src/pipeline/container-rejection.service.js';
import { OriginReviewService } from '../../src/pipeline/origin-review.service.js';
import { ReceiptReviewService } from '../../src/pipeline/receipt-review.service.js';
import type { ReceiptLine } from '../../src/receipts/expectation-line.js';
import { ComparisonService } from '../../src/reconciliation/comparison.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { latestStatement } from '../../src/statements/statements.store.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { COMMAND_LINE } from '../support/people.js';
import { announcement, ReviewBench } from './review-bench.js';

/** Release-safety rules 8, 9, 16 and 19: no change of a receipt sheds what speaks against what came of it. */

class Lineage {
  #bundles = 0;

  private constructor(readonly bench: ReviewBench) {}

  static async open(): Promise<Lineage> {
    return new Lineage(await ReviewBench.open());
  }

  announce(receiptId: string, changes: Partial<ReceiptLine> = {}) {
    return this.bench.announce({ receiptId, scanText: `GR-${receiptId.slice(2)}`, ...changes });
  }

  /** Several in one list. */
  async announceAll(lines: readonly (readonly [string, Partial<ReceiptLine>])[]): Promise<void> {
    const all = lines.map(([receiptId, changes]) =>
      announcement({ receiptId, scanText: `GR-${receiptId.slice(2)}`, ...changes }),
    );
    const { database, clock } = this.bench.bench;
    const done = await database.transact((trx) =>
      this.bench.receipts.announce(trx, all, COMMAND_LINE, clock.now()),
    );
    expect(done).toMatchObject({ ok: true });
  }

  /** Containers of R-1 come again as R-9. */
  again(as: 'returned' | 'repacked' = 'repacked', containers = ['C-1'], from = 'R-1') {
    return this.announce('R-9', { containers, comesFrom: { receiptId: from, as } });
  }

  async split(receiptId: string, parts: Readonly<Record<string, readonly string[]>>) {
    const made = Object.entries(parts).map(([id, containers]) => ({
      receiptId: id,
      scanText: `GR-${id.slice(2)}`,
      containers,
    }));
    const of = { receiptId, seen: null, parts: made };
    expect(await this.bench.change((c, trx, by) => c.split(trx, of, by))).toMatchObject({
      ok: true,
    });
  }

  /** A fail of one container, as it was scanned. */
  async fail(run: number, receipt = 'GR-1', container = 'C-1', measuredAt?: string): Promise<void> {
    this.#bundles += 1;
    const result = goodResult(run, {
      decision: 'fail',
      receipt: { scanned: receipt, entry: 'scanned' },
      container: { scanned: container, entry: 'scanned' },
      ...(measuredAt === undefined ? {} : { measuredAt }),
    });
    await this.bench.settle(goodParts([result], { bundleId: `B-F${this.#bundles}` }));
  }

  /** What the last revision stored says, without anybody asking. */
  async stored(receiptId: string): Promise<string> {
    const { site } = this.bench.bench.site;
    const { conditions } = (await latestStatement(this.bench.db, site, receiptId)) ?? {
      conditions: [],
    };
    const found = conditions.find((c) => c.code === 'receipt-undivided');
    return `${found?.state}: ${found?.found}`;
  }

  /** What an answer would say. */
  asked(receiptId: string): Promise<string> {
    return this.bench.found('receipt-undivided', receiptId);
  }

  get parts() {
    const { database, clock, site, statements } = this.bench.bench;
    const { signing } = this.bench;
    return { database, clock, site, statements, signing, onSigned: () => undefined };
  }

  async relabel(receiptId: string, from: string, to: string): Promise<void> {
    const of = { receiptId, seen: null, from, to, witness: 'second person' };
    expect(await this.bench.change((c, trx, by) => c.relabel(trx, of, by))).toMatchObject({
      ok: true,
    });
  }

  /** A container is rejected, and ERP splits it off. */
  async splitOff(receiptId: string, container: string, to: string): Promise<void> {
    await this.reject(receiptId, container);
    const part = { receiptId: to, scanText: `GR-${to.slice(2)}`, containers: [container] };
    const erp = { kind: 'key', name: 'erp' } as const;
    const gone = await this.bench.change((c, trx, by) =>
      c.splitOff(trx, { receiptId, seen: null, part }, { ...by, actor: erp }),
    );
    expect(gone).toMatchObject({ ok: true });
  }

  async cancel(receiptId: string): Promise<void> {
    const of = { receiptId, seen: null };
    expect(await this.bench.change((c, trx, by) => c.cancel(trx, of, by))).toMatchObject({
      ok: true,
    });
  }

  /** Its latest statement said that it conforms. */
  async conformed(receiptId: string): Promise<void> {
    const latest = await this.bench.db
      .selectFrom('statement')
      .selectAll()
      .where('receipt_id', '=', receiptId)
      .orderBy('revision', 'desc')
      .executeTakeFirstOrThrow();
    const revision = latest.revision + 1;
    const said = { ...JSON.parse(latest.document), revision, outcome: 'conforms' };
    await this.bench.db
      .insertInto('statement')
      .values({ ...latest, revision, outcome: 'conforms', document: JSON.stringify(said) })
      .execute();
  }

  async stops(receiptId: string): Promise<string[]> {
    const rows = await this.bench.db
      .selectFrom('stop')
      .select('kind')
      .where('receipt_id', '=', receiptId)
      .orderBy('statement_revision')
      .execute();
    return rows.map((row) => row.kind);
  }

  async reject(receiptId: string, container: string): Promise<void> {
    const service = new ContainerRejectionService(this.parts);
    const shown = await service.show(receiptId, container);
    const request = {
      container,
      shownSha256: shown?.sha256 ?? '',
      investigation: 'INV-1',
      reason: 'leaking',
    };
    const who = await this.bench.person('rita', { roles: ['reviewer', 'receiver'] });
    expect(await service.reject(receiptId, request, who)).toMatchObject({ kind: 'signed' });
  }

  async refuse(receiptId: string): Promise<void> {
    const reviews = new ReceiptReviewService(this.parts);
    const shownSha256 = (await reviews.show(receiptId))?.sha256 ?? '';
    const refusal = { act: 'refuse', shownSha256, reason: 'a mix-up is suspected' } as const;
    const who = await this.bench.person(`ruth-${receiptId}`);
    expect(await reviews.decide(receiptId, refusal, who)).toMatchObject({ kind: 'signed' });
  }

  async signOrigin(receiptId: string, userName = `robin-${receiptId}`): Promise<void> {
    const who = await this.bench.person(userName);
    expect(await this.originAnswer(receiptId, who)).toMatchObject({ kind: 'signed' });
  }

  async originAnswer(receiptId: string, who: SigningRequest) {
    const service = new OriginReviewService(this.parts);
    const shownSha256 = (await service.show(receiptId))?.sha256 ?? '';
    return service.sign(receiptId, { shownSha256, reason: 'looked at each drum' }, who);
  }

  async merge(receiptId: string, parts: readonly string[]): Promise<void> {
    const of = { receiptId, scanText: `GR-${receiptId.slice(2)}`, parts };
    expect(await this.bench.change((c, trx, by) => c.merge(trx, of, by))).toMatchObject({
      ok: true,
    });
  }
}

const CONTRARY = '1 contrary results stand there; no signed act answers for it';

describe('what began anew from a receipt', () => {
  it('keeps the doubt of a contrary result there that a split takes along', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.again();
    await world.fail(1);
    expect(await world.asked('R-9')).toContain(CONTRARY);
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    expect(await world.asked('R-9')).toContain(CONTRARY);
  });

  it('is held up by nothing that time alone makes of the messages of its source', async () => {
    const world = await Lineage.open();
    const { database, clock, site } = world.bench.bench;
    const erp = { name: 'erp', requiredForStatement: false } as SiteFolder['destinations'][number];
    const comparison = new ComparisonService(database, clock, { ...site, destinations: [erp] });
    await world.announce('R-1');
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    const before = await world.asked('R-2');
    // What R-1 was told of its end is on its way.
    await database.transact((trx) =>
      enqueueDelivery(trx, {
        site: site.site,
        subjectKind: 'statement',
        subjectId: 'R-1',
        subjectRevision: 2,
        receiptId: 'R-1',
        destination: 'erp',
        message: 'statement',
        build: 1,
        orderingKey: 'receipt R-1',
        isConforms: false,
        isContrary: false,
        mappingDigest: 'mapping',
        epoch: 1,
        now: clock.now(),
      }),
    );
    clock.advance(16 * 60_000);
    await comparison.catchUp();
    const open = await world.bench.db
      .selectFrom('discrepancy')
      .select('class')
      .where('receipt_id', '=', 'R-1')
      .where('closed_at', 'is', null)
      .execute();
    expect(open.map((d) => d.class)).toContain('overdue');
    expect(await world.asked('R-2')).toBe(before);
  });

  it('keeps it when its source is merged, and when the part is split once more', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.announce('R-4', { containers: ['C-3'] });
    await world.again();
    await world.fail(1);
    const merge = { receiptId: 'R-5', scanText: 'GR-5', parts: ['R-1', 'R-4'] };
    expect(await world.bench.change((c, trx, by) => c.merge(trx, merge, by))).toMatchObject({
      ok: true,
    });
    expect(await world.asked('R-9')).toContain(CONTRARY);
    await world.split('R-5', { 'R-6': ['C-1', 'C-2'], 'R-7': ['C-3'] });
    expect(await world.asked('R-9')).toContain(CONTRARY);
  });

  it('hears of one that comes late, in the transaction that gives it to a part of its source', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.again();
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    expect(await world.stored('R-9')).toMatch(/^met/);
    await world.fail(1);
    expect(await world.stored('R-9')).toContain(CONTRARY);
  });

  it('hears of one that was scanned for a part before there was that part', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.again();
    await world.fail(1, 'GR-2');
    expect(await world.stored('R-9')).toMatch(/^met/);
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    expect(await world.stored('R-9')).toContain(CONTRARY);
  });

  it('hears of one that was scanned for its source before that listed the container', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.again();
    await world.fail(3, 'GR-1b', 'C-3');
    await world.announce('R-1', { scanText: 'GR-1b', containers: ['C-1', 'C-2', 'C-3'] });
    expect(await world.stored('R-9')).toContain(CONTRARY);
  });

  it('comes of whichever part it may be, where it names a receipt that was split', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    await world.fail(1);
    await world.again();
    expect(await world.asked('R-9')).toContain(`it did not conform then, ${CONTRARY}`);
    await world.signOrigin('R-9');
    expect(await world.asked('R-9')).toMatch(/^met/);
    // What was signed for knew of that one only.
    await world.fail(2, 'GR-3', 'C-2');
    expect(await world.stored('R-9')).toContain(
      'a contrary result came there since; no signed act answers for it',
    );
    await world.signOrigin('R-9', 'sam');
    expect(await world.asked('R-9')).toMatch(/^met/);
  });

  it('is left alone by what another part shows, once it names its own', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    await world.again('repacked', ['C-1'], 'R-2');
    world.bench.bench.clock.advance(3_600_000);
    await world.fail(2, 'GR-3', 'C-2', '2026-07-01T12:30:00Z');
    expect(await world.asked('R-9')).toMatch(/^met/);
    await world.fail(1, 'GR-2', 'C-1');
    expect(await world.stored('R-9')).toContain(`came of R-2 (repacked): ${CONTRARY}`);
  });

  it('answers for a source that is named late, and so does what came of it before', async () => {
    const world = await Lineage.open();
    await world.announce('R-4', { containers: ['C-8'] });
    await world.announce('R-1');
    await world.again('repacked', ['C-1', 'C-2']);
    await world.split('R-9', { 'R-6': ['C-1'], 'R-7': ['C-2'] });
    await world.fail(8, 'GR-4', 'C-8');
    expect([await world.asked('R-9'), await world.asked('R-6')].join()).not.toContain('R-4');
    await world.announce('R-1', { comesFrom: { receiptId: 'R-4', as: 'returned' } });
    expect(await world.stored('R-1')).toContain('came of R-4 (returned): it did not conform then');
    expect(await world.stored('R-6')).toContain('came of R-4 (repacked): it did not conform then');
  });

  it.each([
    ['R-0', 'R-4', 'R-1'],
    ['R-4', 'R-1', 'R-0'],
  ])(
    'answers for what a source that is named late came of itself, in whatever order: %s',
    async (...ids) => {
      const world = await Lineage.open();
      const [first = '', second = '', third = ''] = ids;
      await world.announce(first, { containers: ['C-8'] });
      await world.fail(8, `GR-${first.slice(2)}`, 'C-8');
      await world.announce(second, { containers: ['C-8'] });
      await world.announce(third, { containers: ['C-1'] });
      await world.again('repacked', ['C-5'], third);
      const from = (receiptId: string) => ({ receiptId, as: 'returned' }) as const;
      await world.announceAll([
        [second, { containers: ['C-8'], comesFrom: from(first) }],
        [third, { containers: ['C-1'], comesFrom: from(second) }],
      ]);
      for (const receiptId of [second, third, 'R-9']) {
        expect(await world.asked(receiptId)).toContain(`came of ${first}`);
      }
    },
  );

  it('does not conform when a container of it is rejected where it came from', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.again('returned');
    expect(await world.stored('R-9')).toMatch(/^met/);
    await world.reject('R-1', 'C-1');
    expect(await world.stored('R-9')).toBe('contradicted: container C-1 was rejected at R-1');
  });

  it('is in doubt when a container is rejected there that may be one of it, under a label of its own', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.again('repacked', ['C-5']);
    await world.reject('R-1', 'C-2');
    expect(await world.stored('R-9')).toBe(
      'unmet: came of R-1 (repacked): container C-2 was rejected there; no signed act answers for it',
    );
    await world.signOrigin('R-9', 'sam');
    expect(await world.asked('R-9')).toMatch(/^met/);
    await world.bench.settle(goodParts([goodResult(1)]));
    await world.fail(1, 'GR-1', 'C-1');
    expect(await world.stored('R-9')).toContain('a contrary result came there since');
    await world.signOrigin('R-9', 'toni');
    expect(await world.asked('R-9')).toMatch(/^met/);
  });

  it('is not in doubt by what had been rejected and split off before', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.fail(2, 'GR-1', 'C-2');
    await world.splitOff('R-1', 'C-2', 'R-3');
    await world.again();
    const found = await world.asked('R-9');
    expect(found).not.toContain('contrary');
    expect(found).not.toContain('C-2');
    // But for the very drum, which nobody may bring back.
    await world.announce('R-8', {
      containers: ['C-2'],
      comesFrom: { receiptId: 'R-1', as: 'returned' },
    });
    expect(await world.asked('R-8')).toBe('contradicted: container C-2 was rejected at R-1');
  });

  it('does not conform by the rejected drum under another print, nor by one that a later list adds', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.relabel('R-1', 'C-2', 'C-2b');
    await world.splitOff('R-1', 'C-2b', 'R-3');
    const back = { comesFrom: { receiptId: 'R-1', as: 'returned' } } as const;
    await world.announce('R-8', { ...back, containers: ['C-2'] });
    const found = 'contradicted: container C-2b was rejected at R-1';
    expect(await world.asked('R-8')).toBe(found);
    await world.again('returned');
    expect(await world.asked('R-9')).toMatch(/^met/);
    await world.announce('R-9', { ...back, containers: ['C-1', 'C-2b'] });
    expect(await world.stored('R-9')).toBe(found);
  });

  it.each([
    ['refused there since', 'R-1', {}],
    ['refused at what its source went on as', 'R-3', { 'R-2': ['C-1'], 'R-3': ['C-2'] }],
  ])(
    'is in doubt by what the second person %s, until a signed act knows of that',
    async (_, at, parts) => {
      const world = await Lineage.open();
      await world.announce('R-1');
      await world.again();
      if (Object.keys(parts).length > 0) await world.split('R-1', parts);
      await world.conformed('R-9');
      await world.refuse(at);
      expect(await world.stored('R-9')).toBe(
        'unmet: came of R-1 (repacked): a reviewer refused it since; no signed act answers for it',
      );
      expect(await world.stops('R-9')).toEqual(['suspend']);
      await world.signOrigin('R-9');
      expect(await world.asked('R-9')).toMatch(/^met/);
    },
  );

  it('is in doubt again by a refusal that comes behind the act that answered for one', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.fail(1);
    await world.again();
    await world.signOrigin('R-9');
    expect(await world.asked('R-9')).toMatch(/^met/);
    await world.refuse('R-1');
    expect(await world.stored('R-9')).toContain('a reviewer refused it since');
    await world.signOrigin('R-9', 'sam');
    expect(await world.asked('R-9')).toMatch(/^met/);
  });

  it('is in doubt again by a drum that departed, once that is merged with what stayed', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: ['C-1', 'C-2', 'C-3'] });
    await world.splitOff('R-1', 'C-2', 'R-3');
    await world.again();
    await world.fail(1);
    expect(await world.asked('R-9')).toContain(CONTRARY);
    const merge = { receiptId: 'R-5', scanText: 'GR-5', parts: ['R-1', 'R-3'] };
    expect(await world.bench.change((c, trx, by) => c.merge(trx, merge, by))).toMatchObject({
      ok: true,
    });
    expect(await world.asked('R-9')).toContain(CONTRARY);
  });

  it('may be of the drum that departed, where the source is named after it was announced', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.announce('R-9', { containers: ['P-1'] });
    await world.fail(2, 'GR-1', 'C-2');
    await world.splitOff('R-1', 'C-2', 'R-3');
    const from = { comesFrom: { receiptId: 'R-1', as: 'repacked' } } as const;
    await world.announce('R-9', { containers: ['P-1'], ...from });
    expect(await world.stored('R-9')).toContain('1 contrary results stand there');
  });
});

describe('a drum with a serial number, announced anew after its receipt was cancelled', () => {
  const DRUM = '(01)09521234543213(21)0007';
  const THERE =
    'receipt R-1, which lists container (01)09521234543213(21)0007 by the same serial number, is not named as what it comes from: 1 contrary results stand there';

  /** R-1, which nobody measured, was cancelled; R-2 lists one of its drums. */
  async function anew(): Promise<Lineage> {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [DRUM, 'C-2'] });
    await world.cancel('R-1');
    await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    expect(await world.stored('R-2')).toMatch(/^met/);
    return world;
  }

  it('is in doubt by a fail that comes late to the one before, in the transaction that brings it', async () => {
    const world = await anew();
    await world.conformed('R-2');
    await world.fail(1, 'GR-1', DRUM);
    expect(await world.stored('R-2')).toBe(`unmet: ${THERE}`);
    expect(await world.stops('R-2')).toEqual(['suspend']);
  });

  it('by a pass that the recheck disagrees with, and by a fail that names no container', async () => {
    const world = await anew();
    await world.fail(1, 'GR-1', 'C-77');
    expect(await world.stored('R-2')).toBe(`unmet: ${THERE}`);
    const other = await anew();
    const { site } = other.bench.bench.site;
    await other.bench.settle(goodParts([goodResult(1, { container: scan(DRUM) })]));
    await other.bench.db
      .updateTable('result')
      .set({ recheck: JSON.stringify({ answer: 'disagrees', score: null, reason: '' }) })
      .where('site', '=', site)
      .execute();
    expect(await other.asked('R-2')).toBe(`unmet: ${THERE}`);
  });

  it('is left alone by what is said there of another drum, and other drums by what is said of it', async () => {
    const world = await anew();
    await world.announce('R-3', { containers: ['C-2', '(01)09521234543213(21)0008'] });
    await world.fail(2, 'GR-1', 'C-2');
    await world.fail(1, 'GR-1', DRUM);
    expect(await world.asked('R-3')).toMatch(/^met/);
    expect(await world.stored('R-2')).toBe(`unmet: ${THERE}`);
  });

  it('conforms by nothing until its receipt names the one before and a signed act answers for it', async () => {
    const world = await anew();
    await world.fail(1, 'GR-1', DRUM);
    const from = { comesFrom: { receiptId: 'R-1', as: 'returned' } } as const;
    expect(await world.announce('R-2', { containers: [DRUM, 'C-9'], ...from })).toMatchObject({
      ok: true,
    });
    expect(await world.asked('R-2')).toContain(
      `came of R-1 (returned): it did not conform then, ${CONTRARY}`,
    );
    await world.signOrigin('R-2');
    expect(await world.asked('R-2')).toMatch(/^met/);
    await world.fail(2, 'GR-1', DRUM);
    expect(await world.stored('R-2')).toContain('a contrary result came there since');
  });

  it('is known by the labels that it carried before one was printed anew, on either side', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [DRUM, 'C-2'] });
    await world.relabel('R-1', DRUM, 'N-1');
    await world.cancel('R-1');
    await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    await world.relabel('R-2', DRUM, 'M-1');
    await world.fail(1, 'GR-1', 'N-1');
    expect(await world.stored('R-2')).toContain('1 contrary results stand there');
  });

  it('puts in doubt what was split off with it, and what was repacked of it under labels of its own', async () => {
    const world = await anew();
    await world.again('repacked', ['P-1'], 'R-2');
    await world.split('R-2', { 'R-5': [DRUM], 'R-6': ['C-9'] });
    await world.fail(1, 'GR-1', DRUM);
    expect(await world.stored('R-5')).toContain('1 contrary results stand there');
    expect(await world.stored('R-6')).toMatch(/^met/);
    expect(await world.stored('R-9')).toContain(`came of R-2 (repacked): ${CONTRARY}`);
    await world.signOrigin('R-9');
    expect(await world.asked('R-9')).toMatch(/^met/);
  });
});

describe('a drum with a serial number, whatever else is said of it', () => {
  const DRUM = '(01)09521234543213(21)0007';
  const LABELLED = '(01)09521234543213(10)B1(21)0007';
  const SCANNED_THERE =
    'unmet: a contrary result of container (01)09521234543213(21)0007, by its GTIN and serial number, stands under receipt R-1, and nobody signed where it belongs';

  /** R-2 lists it and conformed; R-1 has been announced too. */
  async function beside(containers: readonly string[]): Promise<Lineage> {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [...containers] });
    if (containers.includes(DRUM)) await world.announce('R-1', { containers: ['C-1', 'C-2'] });
    await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    expect(await world.stored('R-2')).toMatch(/^met/);
    await world.conformed('R-2');
    return world;
  }

  it.each([
    ['that never listed it', ['C-1', 'C-2']],
    ['that was corrected to list it no more', [DRUM, 'C-2']],
  ])(
    'stops its receipt by a fail that was scanned under another one, %s',
    async (_how, containers) => {
      const world = await beside(containers);
      await world.fail(1, 'GR-1', DRUM);
      expect(await world.stored('R-2')).toContain(
        containers.includes(DRUM) ? 'not named as what it comes from' : SCANNED_THERE,
      );
      expect(await world.stops('R-2')).toEqual(['suspend']);
    },
  );

  it('stays in doubt by one that was scanned under no known receipt, also when that is announced', async () => {
    const world = await beside(['C-1', 'C-2']);
    await world.fail(1, 'GR-77', DRUM);
    expect(await world.stored('R-2')).toContain('stands under no known receipt');
    expect(await world.stops('R-2')).toEqual(['suspend']);
    await world.announce('R-77', { containers: ['C-5'] });
    expect(await world.asked('R-2')).toContain('stands under receipt R-77');
  });

  it('is in doubt by a match that names another material than it should hold', async () => {
    const world = await beside(['C-1', 'C-2']);
    await world.fail(1, 'GR-77', DRUM);
    await world.bench.db
      .updateTable('result')
      .set({ decision: 'match', contrary: 0, material: 'M-2', matched_material: 'M-2' })
      .execute();
    await world.announce('R-77', { containers: ['C-5'], material: 'M-2' });
    expect(await world.asked('R-2')).toContain('stands under receipt R-77');
  });

  it('is one drum by GTIN and serial number, whatever batch is printed beside them', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [LABELLED, 'C-2'] });
    const refused = await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    expect(!refused.ok && refused.faults[0]?.rule).toBe('label-elsewhere');
    await world.cancel('R-1');
    await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    await world.conformed('R-2');
    await world.fail(1, 'GR-1', LABELLED);
    expect(await world.stored('R-2')).toContain('1 contrary results stand there');
    expect(await world.stops('R-2')).toEqual(['suspend']);
  });

  it('is refused where another receipt lists it under a label that was printed anew', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [DRUM, 'C-2'] });
    await world.relabel('R-1', DRUM, 'N-1');
    const refused = await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    expect(!refused.ok && refused.faults[0]?.message).toContain('is listed by receipt R-1 already');
    // The number that it carries there now is another drum's elsewhere.
    expect(await world.announce('R-3', { containers: ['N-1'] })).toMatchObject({ ok: true });
  });

  it.each(['before', 'after'] as const)(
    'takes a fail along under a label that was printed anew, when it comes %s its receipt is split',
    async (when) => {
      const world = await Lineage.open();
      await world.announce('R-1', { containers: [DRUM, 'C-2'] });
      await world.cancel('R-1');
      await world.announce('R-2', { containers: [DRUM, 'C-9'] });
      await world.relabel('R-2', DRUM, 'M-1');
      if (when === 'before') await world.fail(1, 'GR-1', DRUM);
      await world.split('R-2', { 'R-5': ['M-1'], 'R-6': ['C-9'] });
      if (when === 'after') await world.fail(1, 'GR-1', DRUM);
      expect(await world.stored('R-5')).toContain('lists container M-1 by the same serial number');
      expect(await world.stored('R-6')).not.toContain('serial number');
    },
  );

  it('takes it along when its receipt is merged, and into what was repacked of it', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [DRUM, 'C-2'] });
    await world.cancel('R-1');
    await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    await world.relabel('R-2', DRUM, 'M-1');
    await world.again('repacked', ['P-1'], 'R-2');
    await world.announce('R-4', { containers: ['C-7'] });
    await world.merge('R-5', ['R-2', 'R-4']);
    await world.fail(1, 'GR-1', DRUM);
    expect(await world.stored('R-5')).toContain('lists container M-1 by the same serial number');
    expect(await world.stored('R-9')).toContain(`came of R-2 (repacked): ${CONTRARY}`);
  });

  it('is known by what it carried at a receipt that it went on from', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [DRUM, 'C-2'] });
    await world.relabel('R-1', DRUM, 'N-1');
    await world.split('R-1', { 'R-3': ['N-1'], 'R-4': ['C-2'] });
    await world.cancel('R-3');
    await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    await world.conformed('R-2');
    await world.fail(1, 'GR-3', 'N-1');
    expect(await world.stored('R-2')).toContain('1 contrary results stand there');
    expect(await world.stops('R-2')).toEqual(['suspend']);
  });

  it('puts what was repacked of it in doubt when it was rejected under a receipt that nobody named', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [DRUM, 'C-2'] });
    await world.reject('R-1', DRUM);
    await world.cancel('R-1');
    await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    await world.again('repacked', ['P-1'], 'R-2');
    expect(await world.asked('R-2')).toContain('it was rejected there');
    expect(await world.asked('R-9')).toContain(`container ${DRUM} was rejected there`);
    await world.signOrigin('R-9');
    expect(await world.asked('R-9')).toMatch(/^met/);
  });

  it('is answered for by nobody who measured what speaks against it, wherever that was', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [DRUM, 'C-2'] });
    await world.cancel('R-1');
    await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    await world.again('repacked', ['P-1'], 'R-2');
    await world.fail(1, 'GR-1', DRUM);
    const { operator_id } = await world.bench.db
      .selectFrom('result')
      .select('operator_id')
      .executeTakeFirstOrThrow();
    const own = await world.bench.person('olga', { operatorIds: [operator_id ?? ''] });
    expect(await world.originAnswer('R-9', own)).toMatchObject({
      kind: 'refused',
      why: 'duty-own-result',
    });
    await world.signOrigin('R-9');
    expect(await world.asked('R-9')).toMatch(/^met/);
  });
});

const scan = (text: string) => ({ scanned: text, entry: 'scanned' }) as const;

describe('a match that names another material than its receipt, which was learned after it had come', () => {
  it('speaks against what came of that receipt as well', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: ['C-1', 'C-2'] });
    await world.again('returned');
    await world.bench.settle(goodParts([goodResult(1)]));
    expect(await world.asked('R-9')).toMatch(/^met/);
    await world.bench.db
      .updateTable('result')
      .set({ mode: 'identification', decision: 'match', matched_material: 'M-2', contrary: 0 })
      .execute();
    expect(await world.asked('R-9')).toContain(CONTRARY);
  });
});

describe('a container that was returned under its own label', () => {
  it('holds up the part of its source that lists it, and no other', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: ['C-1', 'C-2'] });
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    await world.conformed('R-2');
    await world.again('returned', ['C-1'], 'R-1');
    expect(await world.stored('R-2')).toBe('unmet: container C-1 went to R-9 (returned) before');
    expect(await world.stops('R-2')).toEqual(['suspend']);
    expect(await world.asked('R-3')).toMatch(/^met/);
  });

  it('is the same drum by the numbers that it carried before a label was printed anew', async () => {
    const world = await Lineage.open();
    const drum = '(01)09521234543213(21)0007';
    await world.announce('R-1', { containers: [drum, 'C-2'] });
    await world.relabel('R-1', drum, 'N-1');
    await world.again('returned', ['N-1'], 'R-1');
    await world.cancel('R-9');
    await world.announce('R-4', { containers: [drum, 'C-7'], comesFrom: back('R-1') });
    await world.conformed('R-4');
    await world.fail(1, 'GR-9', 'N-1');
    expect(await world.stored('R-4')).toContain('receipt R-9, which lists container');
    expect(await world.stops('R-4')).toEqual(['suspend']);
  });
});

describe('what a list says later', () => {
  const DRUM = '(01)09521234543213(21)0007';

  it('holds up a part also by a container that was returned in a later one', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: ['C-1', 'C-2', 'C-3'] });
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2', 'C-3'] });
    await world.again('returned', ['C-1'], 'R-1');
    await world.conformed('R-3');
    await world.again('returned', ['C-1', 'C-2'], 'R-1');
    expect(await world.stored('R-3')).toBe('unmet: container C-2 went to R-9 (returned) before');
    expect(await world.stops('R-3')).toEqual(['suspend']);
  });

  it('lets a container be back that was returned and is merged with the rest', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: ['C-1', 'C-2'] });
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    await world.again('returned', ['C-1'], 'R-1');
    await world.merge('R-5', ['R-3', 'R-9']);
    expect(await world.asked('R-5')).toMatch(/^met/);
    await world.split('R-5', { 'R-6': ['C-1'], 'R-7': ['C-2'] });
    expect(await world.asked('R-6')).toMatch(/^met/);
    expect(await world.asked('R-2')).toContain('container C-1 went to R-9 (returned) before');
  });

  it('stops what came of a receipt whose material it supplies, by a match that names another', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: ['C-1', 'C-2'], material: null });
    await world.again('returned');
    await world.bench.settle(goodParts([goodResult(1)]));
    await world.bench.db
      .updateTable('result')
      .set({ decision: 'match', matched_material: 'M-2', contrary: 0 })
      .execute();
    await world.conformed('R-9');
    await world.announce('R-1', { containers: ['C-1', 'C-2'] });
    expect(await world.stored('R-9')).toContain(CONTRARY);
    expect(await world.stops('R-9')).toEqual(['suspend']);
  });

  it('stops what lists a drum whose number it brings to another receipt', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [DRUM, 'C-2'] });
    await world.relabel('R-1', DRUM, 'N-1');
    await world.cancel('R-1');
    await world.announce('R-4', { containers: [DRUM, 'C-7'] });
    await world.conformed('R-4');
    await world.announce('R-9', { containers: ['N-1'] });
    await world.fail(1, 'GR-9', 'N-1');
    expect(await world.stored('R-4')).toMatch(/^met/);
    await world.again('returned', ['N-1'], 'R-1');
    expect(await world.stored('R-4')).toContain('receipt R-9, which lists container');
    expect(await world.stops('R-4')).toEqual(['suspend']);
  });

  it('is taken where another receipt lists the same drum since before that was refused', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: [DRUM, 'C-2'] });
    await world.cancel('R-1');
    await world.announce('R-2', { containers: [DRUM, 'C-9'] });
    await world.bench.db
      .updateTable('receipt')
      .set({ status: 'open' })
      .where('id', '=', 'R-1')
      .execute();
    expect(await world.announce('R-2', { containers: [DRUM, 'C-9', 'C-8'] })).toMatchObject({
      ok: true,
    });
    await world.split('R-2', { 'R-5': [DRUM], 'R-6': ['C-9', 'C-8'] });
    const third = await world.announce('R-3', { containers: [DRUM] });
    expect(!third.ok && third.faults[0]?.rule).toBe('label-elsewhere');
  });

  it('hides no drum that was scanned with the paper of a container which was split off', async () => {
    const world = await Lineage.open();
    const other = '(01)09521234543213(21)0008';
    await world.announce('R-1', { containers: [DRUM, other] });
    await world.splitOff('R-1', DRUM, 'R-5');
    expect(await world.stored('R-1')).toMatch(/^met/);
    await world.conformed('R-1');
    await world.fail(1, 'GR-5', other);
    expect(await world.stored('R-1')).toContain('stands under receipt R-5');
    expect(await world.stops('R-1')).toEqual(['suspend']);
  });
});

const back = (receiptId: string) => ({ receiptId, as: 'returned' }) as const;

describe('a source that is named in more than one way', () => {
  it('says more than a part of it that was named before, also of what came of the receipt meanwhile', async () => {
    const world = await Lineage.open();
    await world.announce('R-1', { containers: ['C-1', 'C-2'] });
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    await world.again('repacked', ['P-1'], 'R-2');
    const from = { comesFrom: { receiptId: 'R-9', as: 'repacked' } } as const;
    await world.announce('R-8', { containers: ['Q-1'], ...from });
    expect(await world.again('repacked', ['P-1'], 'R-1')).toMatchObject({ ok: true });
    await world.fail(1, 'GR-3', 'C-2');
    expect(await world.asked('R-9')).toContain(`came of R-1 (repacked): ${CONTRARY}`);
    expect(await world.stored('R-8')).toContain(`came of R-1 (repacked): ${CONTRARY}`);
  });

  it.each([
    ['R-2', 'R-3'],
    ['R-3', 'R-2'],
  ])(
    'is a part of a merge beside what was repacked of it, by whatever ids: %s and %s',
    async (source, repacked) => {
      const world = await Lineage.open();
      await world.announce(source, { containers: ['C-1'] });
      const from = { comesFrom: { receiptId: source, as: 'repacked' } } as const;
      await world.announce(repacked, { containers: ['P-1'], ...from });
      await world.merge('R-5', [source, repacked]);
      expect(await world.asked('R-5')).toMatch(/^met: came of /);
      await world.split('R-5', { 'R-6': ['C-1'], 'R-7': ['P-1'] });
      await world.conformed('R-7');
      await world.fail(1, 'GR-6', 'C-1');
      // What is repacked of it is in doubt by it, wherever both went.
      expect(await world.stored('R-7')).toContain(`came of ${source} (repacked): ${CONTRARY}`);
      expect(await world.stops('R-7')).toEqual(['suspend']);
    },
  );
});

describe('the parts of a receipt', () => {
  it('keep the refusal of the second person until a signed act answers for it', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.bench.settle(goodParts([goodResult(1), goodResult(2)]));
    await world.refuse('R-1');
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    const doubt = 'came of R-1 (split): a reviewer refused it then; no signed act answers for it';
    expect(await world.stored('R-2')).toBe(`unmet: ${doubt}`);
    await world.signOrigin('R-2');
    expect(await world.asked('R-2')).toMatch(/^met/);
    expect(await world.asked('R-3')).toBe(`unmet: ${doubt}`);
  });

  it('keep the doubt of a recheck that disagreed, wherever its result went', async () => {
    const world = await Lineage.open();
    await world.announce('R-1');
    await world.bench.settle(goodParts([goodResult(1), goodResult(2)]));
    const row = await world.bench.rowId('R-1');
    await world.bench.db
      .updateTable('result')
      .set({ recheck: JSON.stringify({ answer: 'disagrees' }) })
      .where('id', '=', row)
      .execute();
    await world.again('repacked', ['C-5']);
    expect(await world.asked('R-9')).toContain(CONTRARY);
    await world.split('R-1', { 'R-2': ['C-1'], 'R-3': ['C-2'] });
    expect(await world.stored('R-3')).toBe(
      'unmet: came of R-1 (split): the recheck disagreed with a result there then; no signed act answers for it',
    );
    expect(await world.asked('R-9')).toContain(CONTRARY);
  });
});
