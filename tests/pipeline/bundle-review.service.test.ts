import { describe, expect, it } from 'vitest';
import { BundleReviewService } from '../../src/pipeline/bundle-review.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { goodParts, goodResult, SITE, tampered } from '../checks/fixture.js';
import { ReviewBench } from './review-bench.js';

/** Release-safety rules 8, 9, 10 and 16: a held bundle that never comes intact, refused under a signature. */

/** A bundle whose manifest counts another number of results than it holds. */
function damaged(
  results: Parameters<typeof goodParts>[0],
  over: Parameters<typeof goodParts>[1],
): Uint8Array {
  return tampered(goodParts(results, over), (document) => {
    (document['manifest'] as { counts: Record<string, number> }).counts['results'] = 9;
  });
}

async function world(results = [goodResult(1)], site = SITE, sent = {}) {
  const bench = await ReviewBench.open(site);
  await bench.announce({ containers: ['C-1'], dockCount: 1 });
  const { bench: base, signing } = bench;
  const bundles = new BundleReviewService({
    database: base.database,
    clock: base.clock,
    site: base.site,
    statements: base.statements,
    signing,
    onReviewed: () => undefined,
  });
  const id = await bench.settle(damaged(results, { bundleId: 'B-1', ...sent }));
  const refuse = async (who: SigningRequest, shownSha256?: string) => {
    const shown = shownSha256 ?? (await bundles.show(id))?.sha256 ?? '';
    base.clock.advance(1000);
    return bundles.refuse(id, { shownSha256: shown, text: 'the sync PC burnt down' }, who);
  };
  return { bench, bundles, id, refuse };
}

async function open(bench: ReviewBench): Promise<string[]> {
  const rows = await bench.bench.discrepancies();
  return rows.filter((d) => d.closed_at === null).map((d) => `${d.class} ${d.subject}`);
}

describe('a held bundle', () => {
  it('is refused by signature: it stays stored, and its runs become a gap in place of the hold', async () => {
    const { bench, bundles, id, refuse } = await world();
    const reviewer = await bench.person('robin');
    expect((await bundles.list(10)).map((b) => [b.rowId, b.heldBy])).toEqual([
      [id, ['manifest-counts']],
    ]);
    expect(await open(bench)).toEqual([`held bundle:${id}`]);
    const before = await bench.found('no-open-discrepancy');
    expect(before).toMatch(/^unmet: held/);
    const answer = await refuse(reviewer);
    expect(answer).toMatchObject({ kind: 'signed', signature: { meaning: 'refused' } });
    expect((await bench.bench.bundle(id)).state).toBe('refused');
    expect(await open(bench)).toEqual([expect.stringMatching(/^run-gap runs:.+:1:1-1$/)]);
    expect(await bench.found('no-open-discrepancy')).toMatch(/^unmet: run-gap/);
    expect(await bundles.list(10)).toEqual([]);
    // Its result waits on for its own review, and nobody clears it.
    expect(await bench.states()).toEqual(['R-1 held']);
    expect(await bench.review('clear', await bench.rowId('R-1'), reviewer)).toMatchObject({
      why: 'act-not-possible',
    });
    const [entry] = await bench.trail('bundle.refused');
    expect(entry).toMatchObject({ actor: reviewer.accountId, reason: 'the sync PC burnt down' });
    const view = await bundles.show(id);
    expect(view?.signatures).toMatchObject([{ validity: 'valid', broken: null }]);
    expect(await bench.signing.verify()).toMatchObject({ broken: [] });
  });

  it('that comes intact afterwards settles the gap, and a reviewer chooses its result', async () => {
    const { bench, refuse } = await world();
    const reviewer = await bench.person('robin');
    await refuse(reviewer);
    await bench.settle(goodParts([goodResult(1)], { bundleId: 'B-2' }));
    expect(await open(bench)).toEqual([]);
    expect(await bench.states()).toEqual(['R-1 held', 'R-1 held']);
    await bench.review('clear', await bench.rowId('R-1', 1), reviewer);
    expect(await bench.states()).toEqual(['R-1 refused', 'R-1 accepted']);
  });

  it('that comes intact when its result id came with other content meanwhile keeps the intact copy for the reviewer', async () => {
    const { bench } = await world();
    const other = goodResult(1, { decision: 'inconclusive' });
    await bench.settle(goodParts([other], { bundleId: 'B-2' }));
    const intact = await bench.settle(goodParts([goodResult(1)], { bundleId: 'B-3' }));
    const rows = await bench.db.selectFrom('result').select(['decision', 'state']).execute();
    expect(rows.map((r) => `${r.decision} ${r.state}`).sort()).toEqual([
      'inconclusive held',
      'pass held',
      'pass held',
    ]);
    const codes = await bench.bench.codesOf(intact);
    expect(codes).toContain('result-repeats-held /results/0/resultId');
  });

  it('that came intact before leaves no gap', async () => {
    const { bench, refuse } = await world();
    const reviewer = await bench.person('robin');
    await bench.settle(goodParts([goodResult(1)], { bundleId: 'B-2' }));
    expect(await refuse(reviewer)).toMatchObject({ kind: 'signed' });
    expect(await open(bench)).toEqual([]);
  });

  it('leaves its gap also where a bundle that nobody measured here holds the same runs', async () => {
    const production = { environment: 'production' as const };
    const measured = { ...production, origin: 'instrument' as const };
    const { bench, refuse } = await world([goodResult(1)], { ...SITE, ...production }, measured);
    const packed = { ...production, origin: 'packed' as const, bundleId: 'B-2' };
    await bench.settle(goodParts([goodResult(1, { resultId: 'P-1' })], packed));
    await refuse(await bench.person('robin'));
    expect(await open(bench)).toContain('run-gap runs:I-1:1:1-1');
  });

  it('with a contrary result counts on against its receipt', async () => {
    const fail = goodResult(1, { decision: 'fail' });
    const { bench, refuse } = await world([fail]);
    const outcome = async () => (await bench.bench.statements.fresh('R-1', 'tester')).outcome;
    expect(await outcome()).toBe('does-not-conform');
    expect(await refuse(await bench.person('robin'))).toMatchObject({ kind: 'signed' });
    expect(await outcome()).toBe('does-not-conform');
  });

  it('is not refused by whoever measured it, without the right, stale, twice or by another’s password', async () => {
    const { bench, bundles, id, refuse } = await world();
    const operator = await bench.person('oona', { operatorIds: ['op-1'] });
    const viewer = await bench.person('vera', { roles: ['viewer'] });
    const reviewer = await bench.person('robin');
    expect(await refuse(operator)).toMatchObject({ why: 'duty-own-result' });
    expect(await refuse(viewer)).toMatchObject({ why: 'right-missing' });
    expect(await refuse(reviewer, '0'.repeat(64))).toMatchObject({ why: 'signature-stale' });
    expect(await refuse({ ...reviewer, password: 'wrong' })).toMatchObject({ kind: 'not-proven' });
    expect(await open(bench)).toEqual([`held bundle:${id}`]);
    const stale = (await bundles.show(id))?.sha256;
    expect(await refuse(reviewer)).toMatchObject({ kind: 'signed' });
    expect(await refuse(reviewer, stale)).toMatchObject({ why: 'signature-stale' });
    expect(await refuse(reviewer)).toMatchObject({ why: 'act-not-possible' });
    expect(await bench.db.selectFrom('signature').selectAll().execute()).toHaveLength(1);
  });

  it('is not refused by whoever measured on its receipt before that was announced', async () => {
    const { bench, refuse } = await world([
      goodResult(1, { receipt: { scanned: 'GR-9', entry: 'scanned' } }),
    ]);
    const own = goodResult(2, {
      operatorId: 'op-9',
      receipt: { scanned: ' GR-9 ', entry: 'scanned' },
    });
    await bench.settle(goodParts([own], { bundleId: 'B-2' }));
    const sid = await bench.person('sid', { operatorIds: ['op-9'] });
    expect(await refuse(sid)).toMatchObject({ why: 'duty-own-result' });
    expect(await refuse(await bench.person('robin'))).toMatchObject({ kind: 'signed' });
  });

  it('leaves what the instrument did not send open, also when later bundles follow', async () => {
    const { bench, refuse } = await world();
    await refuse(await bench.person('robin'));
    const gap = await open(bench);
    await bench.settle(goodParts([goodResult(2)], { bundleId: 'B-3' }));
    expect(await open(bench)).toEqual(gap);
  });
});
