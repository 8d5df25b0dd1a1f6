import { describe, expect, it } from 'vitest';
import type { PerformanceCheck } from '../../src/intake/result-bundle.js';
import type { PerformanceSettings } from '../../src/site/performance-settings.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { dec, goodCheck, goodParts, SITE } from '../checks/fixture.js';
import { BundleBench } from './bundle-bench.js';

/** Runs of performance checks on one side of a centre, over one database. All simulated. */

const EIGHT = { points: 8, source: 'Western Electric, 1956 (NIST/SEMATECH e-Handbook, 6.3.2)' };
const CENTRE = '1001.6';

describe('performance-run', () => {
  const settings = SITE.performance as PerformanceSettings;
  const looking: SiteFolder = {
    ...SITE,
    performance: {
      ...settings,
      sets: settings.sets.map((set) => ({
        ...set,
        run: EIGHT,
        standards: set.standards.map((one) => ({
          ...one,
          peaks: one.peaks.map((peak) => ({ ...peak, centre: dec(CENTRE) })),
        })),
      })),
    },
  };

  function bundle(first: number, observed: readonly string[], over: { epoch?: number } = {}) {
    const epoch = over.epoch ?? 1;
    const checks = observed.map((at, i): PerformanceCheck => {
      const run = first + i;
      return goodCheck(run, {
        checkId: `P-${epoch}-${run}`,
        shifts: [{ expected: dec('1001.4'), observed: dec(at) }],
      });
    });
    const last = first + observed.length - 1;
    return goodParts([], {
      bundleId: `B-${epoch}-${first}-${last}`,
      performanceChecks: checks,
      runs: { epoch, first, last },
    });
  }

  async function found(bench: BundleBench): Promise<string[]> {
    const rows = await bench.database.db
      .selectFrom('finding')
      .select(['pointer', 'message', 'numbers', 'severity'])
      .where('code', '=', 'performance-run')
      .orderBy('id')
      .execute();
    return rows.map((r) => `${r.severity} ${r.pointer} ${/in (\d+) checks/.exec(r.message)?.[1]}`);
  }

  it('is remarked at the eighth check in a row and each further one, across bundles, within every other limit', async () => {
    const bench = await BundleBench.open(looking);
    await bench.settle(bundle(1, ['1001.5', '1001.7', '1001.8', '1001.7']));
    await bench.settle(bundle(5, ['1001.9', '1001.7', '1001.7', '1001.8']));
    expect(await found(bench)).toEqual([]);
    await bench.settle(bundle(9, ['1001.7', '1001.8']));
    const twice = ['remark /performanceChecks/0/shifts/0/observed 8'];
    expect(await found(bench)).toEqual([
      ...twice,
      'remark /performanceChecks/1/shifts/0/observed 9',
    ]);
    const [row] = await bench.database.db
      .selectFrom('finding')
      .selectAll()
      .where('code', 'like', 'performance-%')
      .orderBy('id')
      .execute();
    expect(row?.code).toBe('performance-run');
    expect(JSON.parse(row?.numbers ?? '')).toEqual({
      expected: '1001.4',
      observed: '1001.7',
      centre: CENTRE,
      found: '8',
      limit: '8',
      limitSource: EIGHT.source,
    });
    await bench.settle(bundle(11, ['1001.6', '1001.7']));
    expect(await found(bench)).toHaveLength(2);
  });

  it('is not said again of a check that comes again, and begins anew in another epoch', async () => {
    const bench = await BundleBench.open(looking);
    const eight = Array.from({ length: 8 }, () => '1001.7');
    const first = bundle(1, eight);
    await bench.settle(first);
    expect(await found(bench)).toHaveLength(1);
    await bench.settle({ ...first, bundleId: 'B-again' });
    expect(await found(bench)).toHaveLength(1);
    await bench.settle(bundle(1, eight.slice(1), { epoch: 2 }));
    expect(await found(bench)).toHaveLength(1);
  });

  it('is off unless the site sets it', async () => {
    const bench = await BundleBench.open(SITE);
    await bench.settle(
      bundle(
        1,
        Array.from({ length: 12 }, () => '1001.7'),
      ),
    );
    expect(await found(bench)).toEqual([]);
  });
});
