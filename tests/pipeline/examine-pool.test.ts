import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import { ExaminePool } from '../../src/pipeline/examine.pool.js';
import { examineUnit } from '../../src/pipeline/examine-unit.js';
import { JudgingSites, judgingSite } from '../../src/pipeline/judging-site.pool.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { at, goodParts, goodResult, NOW, SITE, validateSchema } from '../checks/fixture.js';

const TASK = {
  bytes: assembleBundle(goodParts([goodResult(1)])).bytes,
  receivedAt: NOW,
  now: NOW,
  registry: null,
};

/** The same site on other days: each time its methods ended at another minute. */
function siteEnding(minute: number): SiteFolder {
  const retiredAt = at(`2026-07-01T09:${String(minute).padStart(2, '0')}:00Z`);
  const force = { effectiveFrom: null, retiredAt, invalidatedAt: null, invalidation: null };
  return {
    ...SITE,
    methods: SITE.methods.map((m) => ({ ...m, force: { ...force, absent: [], beside: [] } })),
  };
}

let pool: ExaminePool;
beforeAll(() => {
  pool = new ExaminePool(1);
});
afterAll(() => pool.close());

describe('threads that examine bundles', () => {
  it('judge each unit by the site it came with, whichever came before', async () => {
    const sites = [SITE, ...[1, 2, 3, 4].map(siteEnding)];
    const expected = sites.map((site) => examineUnit(TASK, site, validateSchema));
    expect(codes(expected[0])).not.toContain('method-not-in-force');
    expect(codes(expected[1])).toContain('method-not-in-force');
    // More sites than a thread keeps, side by side, and again.
    for (const round of [sites, [...sites].reverse()]) {
      const units = await Promise.all(round.map((site) => pool.examine(TASK, site)));
      expect(units).toEqual(round.map((site) => expected[sites.indexOf(site)]));
    }
  });

  it('get a site whole, once for all units, and in memory of their own', () => {
    const first = judgingSite(SITE);
    expect(judgingSite(SITE)).toBe(first);
    const other = judgingSite({ ...SITE });
    expect(other.id).not.toBe(first.id);
    const kept = new JudgingSites();
    const site = kept.siteOf(first);
    expect(site).toEqual(SITE);
    expect(kept.siteOf(first)).toBe(site);
    const axis = site.methods[0]?.reference?.axis;
    expect(axis?.length).toBeGreaterThan(0);
    expect(axis?.buffer).not.toBeInstanceOf(SharedArrayBuffer);
  });

  it('keep the last few sites and no more', () => {
    const kept = new JudgingSites();
    const sites = [1, 2, 3, 4].map((minute) => judgingSite(siteEnding(minute)));
    const [first, second] = sites.map((site) => kept.siteOf(site));
    const read = (index: number) => kept.siteOf(sites[index] ?? judgingSite(SITE));
    expect(read(1)).toBe(second);
    expect(read(0)).not.toBe(first);
    expect(read(0)).toEqual(first);
  });
});

function codes(unit: ReturnType<typeof examineUnit> | undefined): readonly string[] {
  if (unit?.kind !== 'readable') return [];
  return unit.examination.results.flatMap((result) => result.findings.map(({ code }) => code));
}
