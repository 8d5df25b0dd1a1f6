import { describe, expect, it } from 'vitest';
import { LabelReviewService } from '../../src/pipeline/label-review.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { ReviewBench } from './review-bench.js';

/** Release-safety rule 2: labels that were not scanned, compared by a second person under a signature. */

const TYPED = { container: { scanned: 'C-1', entry: 'typed' } } as const;
const SEEN = { container: 'C-1', receipt: 'GR-1' };

async function world() {
  const bench = await ReviewBench.open();
  await bench.announce({ containers: ['C-1'], dockCount: 1 });
  await bench.settle(goodParts([goodResult(1, TYPED)]));
  const labels = new LabelReviewService({
    database: bench.bench.database,
    clock: bench.bench.clock,
    site: bench.bench.site,
    signing: bench.signing,
    onVerified: () => undefined,
  });
  const row = await bench.rowId('R-1');
  const compare = async (who: SigningRequest, seen = SEEN, shownSha256?: string) =>
    labels.verify(
      row,
      {
        shownSha256: shownSha256 ?? (await labels.show(row))?.sha256 ?? '',
        seen,
        reason: 'read off the drum',
      },
      who,
    );
  return { bench, labels, row, compare };
}

const condition = async (bench: ReviewBench) => {
  const { conditions } = await bench.bench.statements.fresh('R-1', 'tester');
  return conditions.find((c) => c.code === 'labels-verified');
};

describe('labels that were typed', () => {
  it('hold once a second person signed what they read off container and receipt', async () => {
    const { bench, labels, row, compare } = await world();
    expect(await condition(bench)).toMatchObject({ state: 'unmet' });
    const reviewer = await bench.person('robin');
    expect(await labels.show(row)).toMatchObject({
      resultId: 'R-1',
      container: { text: 'C-1', entry: 'typed' },
      receipt: { text: 'GR-1', entry: 'scanned' },
      isCompared: false,
    });
    // By the id that its statement shows, too.
    expect(await labels.show('R-1')).toEqual(await labels.show(row));
    const listed = {
      rowId: row,
      container: 'C-1',
      receiptEntry: 'scanned',
      containerEntry: 'typed',
    };
    expect(await labels.ofReceipt('R-1')).toMatchObject([{ ...listed, comparedBy: null }]);
    const answer = await compare(reviewer);
    expect(answer).toMatchObject({ kind: 'signed', signature: { meaning: 'reviewed' } });
    expect(await condition(bench)).toMatchObject({
      state: 'met',
      found: 'every label was scanned or compared by a second person (1)',
    });
    const printedName = answer.kind === 'signed' ? answer.signature.printedName : '';
    expect(await labels.show(row)).toMatchObject({ isCompared: true, signature: { printedName } });
    expect(await labels.ofReceipt('R-1')).toMatchObject([
      { ...listed, comparedBy: { printedName } },
    ]);
    const [entry] = await bench.trail('result.labels-compared');
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({
      comparedBy: reviewer.accountId,
      seen: SEEN,
      signature: { meaning: 'reviewed' },
    });
    expect(await compare(reviewer)).toMatchObject({ why: 'act-not-possible' });
  });

  it('are on nobody’s list where both were scanned', async () => {
    const { bench, labels } = await world();
    await bench.settle(goodParts([goodResult(2)]));
    const rows = await bench.db.selectFrom('result').select('id').execute();
    expect(rows).toHaveLength(2);
    expect((await labels.ofReceipt('R-1')).map(({ resultId }) => resultId)).toEqual(['R-1']);
  });

  it('do not hold by whoever typed them, by other labels, by a stale page or a wrong password', async () => {
    const { bench, compare } = await world();
    const operator = await bench.person('oona', { operatorIds: ['op-1'] });
    const reviewer = await bench.person('robin');
    const viewer = await bench.person('vera', { roles: ['viewer'] });
    expect(await compare(operator)).toMatchObject({ why: 'duty-own-result' });
    expect(await compare(viewer)).toMatchObject({ why: 'right-missing' });
    expect(await compare(reviewer, { ...SEEN, container: 'C-2' })).toMatchObject({
      why: 'act-not-possible',
      detail: 'the container shows "C-2", the result is of "C-1"',
    });
    expect(await compare(reviewer, { ...SEEN, receipt: 'GR-2' })).toMatchObject({
      detail: 'the receipt shows "GR-2", the result says "GR-1"',
    });
    expect(await compare(reviewer, SEEN, '0'.repeat(64))).toMatchObject({ why: 'signature-stale' });
    expect(await compare({ ...reviewer, password: 'wrong' })).toMatchObject({
      kind: 'not-proven',
    });
    expect(await condition(bench)).toMatchObject({ state: 'unmet' });
    expect(await bench.trail('result.labels-compared')).toEqual([]);
    expect(await bench.db.selectFrom('label_verification').selectAll().execute()).toEqual([]);
  });
});
