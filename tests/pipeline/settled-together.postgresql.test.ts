import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import type { BundleParts } from '../../src/checks/assemble-bundle.js';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import type { BundleResult } from '../../src/intake/result-bundle.js';
import type { BundlesService } from '../../src/pipeline/bundles.service.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { curve, goodParts, goodResult, SITE } from '../checks/fixture.js';
import { siteWith } from '../checks/signal-fixture.js';
import { databasesOfProcesses } from '../support/temp-database.js';
import { until } from '../support/until.js';
import { BundleBench } from './bundle-bench.js';

/** Two bundles of two instruments, settled by two processes at the same moment. All simulated. */

const KNOWN = siteWith();
const [DOCK] = SITE.instruments;
const HERE = { ...DOCK, serial: 'I-1' } as SiteFolder['instruments'][number];
const THERE = { ...HERE, serial: 'I-3', area: 'other-dock' };
const site: SiteFolder = { ...KNOWN, instruments: [HERE, THERE] };

/** A bundle of one result on a container of its own, so that nothing else makes one wait for the other. */
function bundleOf(serial: 'I-1' | 'I-3', over: Partial<BundleResult>, seed: number): BundleParts {
  const result = goodResult(
    1,
    {
      resultId: `R-${serial}`,
      receipt: { scanned: `GR-${serial}`, entry: 'scanned' },
      container: { scanned: `C-${serial}`, entry: 'scanned' },
      operatorId: `op-${serial}`,
      ...over,
    },
    seed,
  );
  const parts = goodParts([result], {
    operators: [{ id: result.operatorId, name: 'Somebody (simulated)' }],
  });
  return { ...parts, bundleId: `B-${serial}`, instrument: { ...parts.instrument, serial } };
}

/** Does not commit what settles a bundle before `mayCommit`, asked inside that transaction. */
function committing(database: OpenDatabase, mayCommit: () => Promise<void>): OpenDatabase {
  return {
    ...database,
    db: database.db,
    close: () => database.close(),
    transact: (work) =>
      database.transact(async (trx) => {
        const done = await work(trx);
        const settled = await trx.selectFrom('result').select('id').execute();
        const committed = await database.db.selectFrom('result').select('id').execute();
        if (settled.length > committed.length) await mayCommit();
        return done;
      }),
  };
}

interface World {
  readonly benches: readonly [BundleBench, BundleBench];
  readonly processes: readonly [BundlesService, BundlesService];
}

async function world(
  parts: readonly [BundleParts, BundleParts],
  mayCommit: (databases: readonly OpenDatabase[]) => () => Promise<void>,
  look: 'at-once' | 'later',
): Promise<World> {
  const databases = await databasesOfProcesses(2);
  const hold = mayCommit(databases);
  const [one, two] = BundleBench.over(
    databases.map((d) => committing(d, hold)),
    site,
  );
  if (one === undefined || two === undefined) throw new Error('one process is missing');
  const started = { started_at: one.clock.now(), heartbeat_at: one.clock.now() };
  await one.database.db
    .insertInto('worker')
    .values(['w-0', 'w-1'].map((id) => ({ id, ...started, stopped_at: null })))
    .execute();
  for (const bundle of parts) await one.take(bundle);
  let examined = 0;
  const processOf = (bench: BundleBench, id: string) =>
    bench.process(
      async (task) => {
        examined += 1;
        const unit = await bench.examine(task);
        // Each has one of the two before either settles.
        await until('the other has examined as well', () => examined === 2);
        return unit;
      },
      id,
      () => undefined,
      look === 'later'
        ? { round: () => Promise.resolve({ bundles: 0, hasStop: false, isMore: false }) }
        : undefined,
    );
  return { benches: [one, two], processes: [processOf(one, 'w-0'), processOf(two, 'w-1')] };
}

/** Both have written everything, and neither has committed, before the first of them does. */
function bothHaveWritten(): () => Promise<void> {
  let written = 0;
  return async () => {
    written += 1;
    await until('the other has written as well', () => written >= 2);
  };
}

/** The first to have written commits once the other waits for a lock. */
function otherWaits([database]: readonly OpenDatabase[]): () => Promise<void> {
  let isFirst = true;
  return async () => {
    if (!isFirst || database === undefined) return;
    isFirst = false;
    await until('the other waits for it', async () => {
      const { rows } = await sql`
        select 1 from pg_locks l join pg_stat_activity a on a.pid = l.pid
        where not l.granted and a.datname = current_database()`.execute(database.db);
      return rows.length > 0;
    });
  };
}

const workBoth = (processes: World['processes']) =>
  Promise.all(processes.map((process) => process.workOnce()));

async function states(bench: BundleBench): Promise<string[]> {
  const rows = await bench.database.db
    .selectFrom('result')
    .select(['result_id', 'state'])
    .orderBy('result_id')
    .execute();
  return rows.map((r) => `${r.result_id} ${r.state}`);
}

/** Codes that hold results, one of each for either of the two. */
async function codes(bench: BundleBench): Promise<string[]> {
  const rows = await bench.database.db
    .selectFrom('finding')
    .innerJoin('result', 'result.id', 'finding.result_row_id')
    .select(['code', 'result.result_id'])
    .where('finding.severity', '=', 'hold')
    .orderBy('code')
    .execute();
  expect(new Set(rows.map((r) => r.result_id)).size).toBe(rows.length);
  return rows.map((r) => r.code);
}

const BOTH_HELD = ['R-I-1 held', 'R-I-3 held'];
const BOTH_ACCEPTED = ['R-I-1 accepted', 'R-I-3 accepted'];

/** The same measurement at 1.05 times its height and 100 counts up, as somebody would hide a copy. */
function changedCopy(by = 0): Partial<BundleResult> {
  const { axis, intensity } = curve('paracetamol', 1);
  return {
    spectrum: encodeSpectrum(
      axis.map((x) => x + by),
      intensity.map((v) => v * 1.05 + 100),
      'float64',
    ),
  };
}

/** The same measurement on an axis moved a little, as float32. */
function movedCopy(): Partial<BundleResult> {
  const { axis, intensity } = curve('paracetamol', 1);
  return {
    spectrum: encodeSpectrum(
      axis.map((x) => x + 0.001),
      intensity,
      'float32',
    ),
  };
}

describe('two copies of a spectrum', () => {
  it.each([
    ['identical', {}],
    ['on two axes', movedCopy()],
  ])('%s: are both held, whichever of the two processes comes first', async (_, copy) => {
    const parts = [bundleOf('I-1', {}, 1), bundleOf('I-3', copy, 1)] as const;
    const { benches, processes } = await world(parts, otherWaits, 'later');
    await workBoth(processes);
    expect(await states(benches[0])).toEqual(BOTH_HELD);
    expect(await codes(benches[0])).toEqual([
      'spectrum-duplicate-earlier',
      'spectrum-duplicate-later',
    ]);
  });
});

describe('two uses of one probe cover', () => {
  it('are both held, whichever of the two processes comes first', async () => {
    const presentation = { kind: 'immersion-probe' as const, probeCover: 'K 7' };
    const other = { presentation, material: 'M-2', method: { id: 'ID-M-2', version: '1' } };
    const parts = [
      bundleOf('I-1', { presentation }, 1),
      bundleOf('I-3', { ...other, decision: 'inconclusive', score: null, spectrum: null }, 2),
    ] as const;
    const { benches, processes } = await world(parts, otherWaits, 'later');
    await workBoth(processes);
    expect(await states(benches[0])).toEqual(BOTH_HELD);
    expect(await codes(benches[0])).toEqual(
      expect.arrayContaining(['probe-cover-reused', 'probe-cover-reused-later']),
    );
  });
});

describe('what no lock orders', () => {
  const CASES = [
    [
      'the noise of one spectrum under two containers',
      [bundleOf('I-1', {}, 1), bundleOf('I-3', changedCopy(), 1)],
      ['noise-duplicate-earlier', 'noise-duplicate-later'],
    ],
    [
      'the noise of one spectrum under two containers, on two axes',
      [bundleOf('I-1', {}, 1), bundleOf('I-3', changedCopy(-0.001), 1)],
      ['noise-duplicate-earlier', 'noise-duplicate-later'],
    ],
    [
      'one operator at two places',
      [bundleOf('I-1', { operatorId: 'op-1' }, 1), bundleOf('I-3', { operatorId: 'op-1' }, 2)],
      ['operator-at-two-places', 'operator-at-two-places-later'],
    ],
  ] as const;

  it.each(CASES)(
    '%s: neither sees the other, and the second look holds both, once',
    async (_, parts, expected) => {
      const { benches, processes } = await world(parts, bothHaveWritten, 'later');
      await workBoth(processes);
      // The race is real: without a second look nothing would be found.
      expect(await states(benches[0])).toEqual(BOTH_ACCEPTED);
      const looked = await Promise.all(benches.map((bench) => bench.secondLook().round()));
      expect(looked.reduce((sum, { bundles }) => sum + bundles, 0)).toBe(2);
      expect(await states(benches[0])).toEqual(BOTH_HELD);
      expect(await codes(benches[0])).toEqual(expected);
      expect(await benches[0].database.db.selectFrom('second_look').selectAll().execute()).toEqual(
        [],
      );
      expect(await benches[1].secondLook().round()).toEqual({
        bundles: 0,
        hasStop: false,
        isMore: false,
      });
    },
  );

  it.each(CASES)('%s: is found by the work that settles them', async (_, parts, expected) => {
    const { benches, processes } = await world(parts, bothHaveWritten, 'at-once');
    await workBoth(processes);
    expect(await states(benches[0])).toEqual(BOTH_HELD);
    expect(await codes(benches[0])).toEqual(expected);
  });

  it.each(CASES)(
    '%s: is found after a process died between the commit and its look',
    async (_, parts, expected) => {
      const { benches, processes } = await world(parts, bothHaveWritten, 'later');
      await workBoth(processes);
      const next = benches[1].process(benches[1].examine, 'another start');
      await next.workOnce();
      expect(await states(benches[0])).toEqual(BOTH_HELD);
      expect(await codes(benches[0])).toEqual(expected);
    },
  );
});
