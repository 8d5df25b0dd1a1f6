import { describe, expect, it } from 'vitest';
import { AssignedCauseService } from '../../src/pipeline/assigned-cause.service.js';
import { OriginReviewService } from '../../src/pipeline/origin-review.service.js';
import type { LinkDocument } from '../../src/receipts/lineage.js';
import { latestStatement } from '../../src/statements/statements.store.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { FAIL } from '../pipeline/attribution-bench.js';
import { ReviewBench } from '../pipeline/review-bench.js';
import { dropGuard } from '../support/guards.js';

/** Release-safety rules 9, 12 and 19: what a fail says of a receipt is the same whenever its handheld syncs. */

const AN_HOUR = 3_600_000;
/** Half an hour after noon, when the bench opens. */
const LATER = '2026-07-01T12:30:00Z';
const OWES = 'no signed act answers for it';

type Changes = NonNullable<Parameters<typeof goodResult>[1]>;
type Parts = Readonly<Record<string, readonly string[]>>;

class Divided {
  #runs = 0;
  #people = 0;

  private constructor(readonly bench: ReviewBench) {}

  /** R-1 of two containers is announced. */
  static async open(): Promise<Divided> {
    const world = new Divided(await ReviewBench.open());
    await world.announce('R-1', ['C-1', 'C-2']);
    return world;
  }

  async announce(receiptId: string, containers: readonly string[], more = {}): Promise<void> {
    const scanText = textOf(receiptId);
    expect(await this.bench.announce({ receiptId, scanText, containers, ...more })).toMatchObject({
      ok: true,
    });
  }

  async split(receiptId: string, into: Parts): Promise<void> {
    const parts = Object.entries(into).map(([id, containers]) => ({
      receiptId: id,
      scanText: textOf(id),
      containers,
    }));
    const of = { receiptId, seen: null, parts };
    expect(await this.bench.change((c, trx, by) => c.split(trx, of, by))).toMatchObject({
      ok: true,
    });
  }

  async merge(receiptId: string, parts: readonly string[]): Promise<void> {
    const of = { receiptId, scanText: textOf(receiptId), parts };
    expect(await this.bench.change((c, trx, by) => c.merge(trx, of, by))).toMatchObject({
      ok: true,
    });
  }

  fail(receipt = 'GR-1', container = 'C-1', more: Changes = {}) {
    return this.measure(receipt, container, { ...FAIL, ...more });
  }

  async measure(receipt: string, container: string, more: Changes = {}): Promise<string> {
    this.#runs += 1;
    const result = goodResult(this.#runs, {
      receipt: { scanned: receipt, entry: 'scanned' },
      container: { scanned: container, entry: 'scanned' },
      ...more,
    });
    await this.bench.settle(goodParts([result], { bundleId: `B-${this.#runs}` }));
    return this.bench.rowId(`R-${this.#runs}`);
  }

  async signCause(rowId: string): Promise<void> {
    const causes = new AssignedCauseService(this.#parts());
    const shown = await causes.show(rowId);
    const request = { shownSha256: shown?.sha256 ?? '', investigation: 'INV-7' };
    const signed = await causes.sign(
      rowId,
      { ...request, reason: 'dirty lens' },
      await this.#who(),
    );
    expect(signed).toMatchObject({ kind: 'signed' });
  }

  async answerFor(receiptId: string): Promise<void> {
    const origins = new OriginReviewService(this.#parts());
    const shownSha256 = (await origins.show(receiptId))?.sha256 ?? '';
    const request = { shownSha256, reason: 'looked at each drum' };
    const signed = await origins.sign(receiptId, request, await this.#who());
    expect(signed).toMatchObject({ kind: 'signed' });
  }

  #who() {
    this.#people += 1;
    return this.bench.person(`robin-${this.#people}`);
  }

  #parts() {
    const { database, clock, site, statements } = this.bench.bench;
    const { signing } = this.bench;
    return { database, clock, site, statements, signing, onSigned: () => undefined };
  }

  /** What an answer would say. */
  origin(receiptId: string): Promise<string> {
    return this.bench.found('receipt-undivided', receiptId);
  }

  /** What the last revision stored says, without anybody asking. */
  async stored(receiptId: string): Promise<string> {
    const { site } = this.bench.bench.site;
    const latest = await latestStatement(this.bench.db, site, receiptId);
    const found = latest?.conditions.find((c) => c.code === 'receipt-undivided');
    return `${found?.state}: ${found?.found}`;
  }

  /** As links of earlier versions were, which are kept as written. */
  async rewriteLinks(to: (document: LinkDocument) => LinkDocument): Promise<void> {
    const { db } = this.bench;
    const rows = await db.selectFrom('receipt_link').selectAll().execute();
    await dropGuard(this.bench.bench.database, 'receipt_link', 'delete');
    await db.deleteFrom('receipt_link').execute();
    for (const row of rows) {
      const document = JSON.stringify(to(JSON.parse(row.document)));
      await db
        .insertInto('receipt_link')
        .values({ ...row, document })
        .execute();
    }
  }
}

const withoutNames = ({ hadContrary: _, wentAlong: __, ...rest }: LinkDocument): LinkDocument =>
  rest;
const textOf = (id: string) => `GR-${id.slice(2)}`;
const TWO = { 'R-2': ['C-1'], 'R-3': ['C-2'] };

describe('a fail of a receipt that is split', () => {
  it('keeps the other part waiting, whether it syncs before the split or after', async () => {
    const early = await Divided.open();
    await early.fail();
    await early.split('R-1', TWO);
    expect(await early.stored('R-3')).toBe(
      `unmet: came of R-1 (split): it did not conform then, a contrary result was of it then; ${OWES}`,
    );
    const late = await Divided.open();
    await late.split('R-1', TWO);
    expect(await late.origin('R-3')).toMatch(/^met/);
    await late.fail();
    expect(await late.stored('R-3')).toBe(
      `unmet: came of R-1 (split): 1 contrary results stand there; ${OWES}`,
    );
    // Where it was measured it contradicts, and nobody has to sign for the other part.
    expect(await late.origin('R-2')).toMatch(/^met/);
    for (const world of [early, late]) {
      await world.answerFor('R-3');
      expect(await world.origin('R-3')).toMatch(/^met/);
    }
  });

  it('asks for another signed act when it comes behind one', async () => {
    const world = await Divided.open();
    await world.fail();
    await world.split('R-1', TWO);
    await world.answerFor('R-3');
    expect(await world.origin('R-3')).toMatch(/^met/);
    await world.fail();
    expect(await world.stored('R-3')).toBe(
      `unmet: came of R-1 (split): a contrary result came there since; ${OWES}`,
    );
    await world.answerFor('R-3');
    expect(await world.origin('R-3')).toMatch(/^met/);
  });

  it('is about its part alone where it was measured of that after the split', async () => {
    const world = await Divided.open();
    await world.split('R-1', TWO);
    world.bench.bench.clock.advance(AN_HOUR);
    await world.fail('GR-2', 'C-1', { measuredAt: LATER });
    expect(await world.origin('R-3')).toMatch(/^met/);
    // Nor does it become one of the whole when the other part is split further.
    await world.announce('R-4', ['C-4']);
    await world.merge('R-5', ['R-3', 'R-4']);
    await world.split('R-5', { 'R-6': ['C-2'], 'R-7': ['C-4'] });
    expect(await world.origin('R-6')).toMatch(/^met/);
    // What was on the drum before the split was of the whole, whatever label was scanned.
    await world.fail('GR-2', 'C-1');
    expect(await world.stored('R-6')).toContain(`R-1 (split): 1 contrary results stand there`);
  });

  it('reaches every part, over further splits and merges, and what was opened of one', async () => {
    const world = await Divided.open();
    await world.announce('R-0', ['C-0']);
    await world.merge('R-9', ['R-0', 'R-1']);
    await world.split('R-9', { 'R-2': ['C-1'], 'R-3': ['C-0', 'C-2'] });
    await world.split('R-3', { 'R-4': ['C-0'], 'R-5': ['C-2'] });
    await world.announce('R-6', ['C-6']);
    await world.merge('R-7', ['R-5', 'R-6']);
    await world.announce('R-8', ['C-0'], { comesFrom: { receiptId: 'R-4', as: 'opened' } });
    for (const id of ['R-2', 'R-7', 'R-8']) expect(await world.origin(id)).toMatch(/^met/);
    await world.fail('GR-1', 'C-1');
    const stands = '1 contrary results stand there';
    expect(await world.stored('R-7')).toContain(`R-9 (split): ${stands}`);
    expect(await world.stored('R-8')).toContain(`R-9 (opened): ${stands}`);
    expect(await world.origin('R-2')).toMatch(/^met/);
    for (const id of ['R-7', 'R-8']) {
      await world.answerFor(id);
      expect(await world.origin(id)).toMatch(/^met/);
    }
  });

  it('counts in links of earlier versions, which name nothing that went along', async () => {
    const told = await Divided.open();
    await told.fail();
    await told.split('R-1', TWO);
    await told.rewriteLinks(withoutNames);
    await told.answerFor('R-3');
    expect(await told.origin('R-3')).toMatch(/^met/);

    // Its cause was signed, so that the source stood well and nobody signed for the part.
    const untold = await Divided.open();
    await untold.signCause(await untold.fail());
    await untold.split('R-1', TWO);
    await untold.rewriteLinks(withoutNames);
    expect(await untold.origin('R-3')).toContain('1 contrary results stand there');
    await untold.answerFor('R-3');
    expect(await untold.origin('R-3')).toMatch(/^met/);
  });
});

describe('a merge of a receipt whose fail has a signed cause', () => {
  /** R-1 has that fail and a pass of the same drum, R-4 is clean. */
  async function merged(): Promise<{ world: Divided; fail: string }> {
    const world = await Divided.open();
    await world.announce('R-4', ['C-3']);
    const fail = await world.fail();
    const passes = [
      ['GR-1', 'C-1'],
      ['GR-1', 'C-2'],
      ['GR-4', 'C-3'],
    ] as const;
    for (const [receipt, container] of passes) await world.measure(receipt, container);
    await world.signCause(fail);
    expect(await world.bench.found('no-contrary-result', 'R-1')).toMatch(/^met.*explained/);
    await world.merge('R-5', ['R-1', 'R-4']);
    return { world, fail };
  }

  it('may conform once the cause is signed there, since each of its parts stood well', async () => {
    const { world, fail } = await merged();
    expect(await world.origin('R-5')).toBe('met: came of R-1 (merged), R-4 (merged)');
    // What the signer of the cause was shown is another receipt now.
    expect(await world.bench.found('no-contrary-result', 'R-5')).toMatch(/^contradicted/);
    await world.signCause(fail);
    expect(await world.bench.found('no-contrary-result', 'R-5')).toMatch(/^met.*explained/);
  });

  it('is held up by no link of an earlier version either', async () => {
    const { world } = await merged();
    await world.rewriteLinks((document) => ({ ...document, hadContrary: true }));
    expect(await world.origin('R-5')).toMatch(/^met/);
  });

  it('leaves every part of it waiting for a signed act when it is split, which one may end', async () => {
    const { world, fail } = await merged();
    await world.signCause(fail);
    await world.split('R-5', { 'R-6': ['C-1', 'C-2'], 'R-7': ['C-3'] });
    for (const id of ['R-6', 'R-7']) {
      expect(await world.origin(id)).toBe(
        `unmet: came of R-5 (split): a contrary result was of it then; ${OWES}`,
      );
      await world.answerFor(id);
      expect(await world.origin(id)).toMatch(/^met/);
    }
  });

  it('sheds nothing by being merged once more', async () => {
    const { world, fail } = await merged();
    await world.signCause(fail);
    await world.announce('R-8', ['C-8']);
    await world.merge('R-9', ['R-5', 'R-8']);
    expect(await world.bench.found('no-contrary-result', 'R-9')).toMatch(/^contradicted/);
    await world.split('R-9', { 'R-6': ['C-1'], 'R-7': ['C-2', 'C-3', 'C-8'] });
    expect(await world.origin('R-7')).toContain('R-9 (split): it did not conform then');
  });

  it('keeps what a part owes that it brought together with the other, and owes again when split', async () => {
    const world = await Divided.open();
    const fail = await world.fail();
    await world.signCause(fail);
    await world.split('R-1', TWO);
    // Its cause is void at the part, until somebody signs it there too.
    await world.signCause(fail);
    await world.merge('R-5', ['R-2', 'R-3']);
    const owed = `came of R-1 (split): a contrary result was of it then; ${OWES}`;
    expect(await world.origin('R-5')).toContain(owed);
    await world.answerFor('R-5');
    expect(await world.origin('R-5')).toMatch(/^met/);
    await world.signCause(fail);
    await world.split('R-5', { 'R-6': ['C-1'], 'R-7': ['C-2'] });
    expect(await world.origin('R-7')).toContain(
      `R-5 (split): a contrary result was of it then; ${OWES}`,
    );
    await world.answerFor('R-7');
    expect(await world.origin('R-7')).toMatch(/^met/);
  });
});
