import { describe, expect, it } from 'vitest';
import { importMethods } from '../../src/methods/import-methods.store.js';
import { siteInForce } from '../../src/methods/method-registry.store.js';
import type { MethodForce, SiteFolder } from '../../src/site/site-folder.js';
import { at, goodParts, SITE } from '../checks/fixture.js';
import { BundleBench, type Examine } from './bundle-bench.js';

const RETIRED: MethodForce = {
  effectiveFrom: null,
  retiredAt: at('2026-07-01T09:00:00Z'),
  invalidatedAt: null,
  invalidation: null,
  absent: [],
  beside: [],
};
/** Every method of the site ended before anything of the fixture was measured. */
const ENDED: SiteFolder = {
  ...SITE,
  methods: SITE.methods.map((m) => ({ ...m, force: RETIRED })),
};

function register(bench: BundleBench, site: SiteFolder): Promise<void> {
  const folder = { site, referenceBytes: new Map<string, Uint8Array>() };
  return bench.database.transact((trx) => importMethods(trx, folder, bench.clock.now()));
}

describe('a bundle that was examined by methods which changed meanwhile', () => {
  it('is examined again by those in force, and nothing of the first examination is kept', async () => {
    const bench = await BundleBench.open();
    await register(bench, SITE);
    const id = await bench.take(goodParts());
    const states: (string | null)[] = [];
    const slow: Examine = async (task, site) => {
      const unit = await bench.examine(task, site);
      states.push(task.registry);
      // Another process ends the methods while this one looks at the bundle.
      if (states.length === 1) await register(bench, ENDED);
      return unit;
    };
    await bench.workAll(bench.process(slow));
    const { state } = await siteInForce(bench.database.db, SITE);
    expect(states).toHaveLength(2);
    expect(states[0]).not.toBe(state);
    expect(states[1]).toBe(state);
    expect(await bench.codesOf(id)).toContain('method-not-in-force /results/0/method');
    const results = await bench.database.db.selectFrom('result').select('state').execute();
    expect(results).toEqual([{ state: 'held' }]);
  });

  it('is settled at once when they did not change', async () => {
    const bench = await BundleBench.open();
    await register(bench, SITE);
    const id = await bench.settle(goodParts());
    await register(bench, SITE);
    expect(await bench.codesOf(id)).not.toContain('method-not-in-force /results/0/method');
    expect((await bench.bundle(id)).state).toBe('accepted');
  });
});
