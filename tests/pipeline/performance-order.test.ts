import { describe, expect, it } from 'vitest';
import type { BundlesService } from '../../src/pipeline/bundles.service.js';
import { ReceiptsService } from '../../src/receipts/receipts.service.js';
import type { StatementRecord } from '../../src/records/statement-record.js';
import { seedFor } from '../../src/simulation/seeded-random.js';
import { goodCheck, goodParts, goodResult } from '../checks/fixture.js';
import { databasesOfProcesses } from '../support/temp-database.js';
import { BundleBench } from './bundle-bench.js';
import { announcement } from './review-bench.js';

/** Checks and results of one instrument in bundles of their own, settled by several processes at once (rule 13). */

/** Run by run: a pass, a drum, another, a failure, its repeat that fails too, a pass, a drum, a pass. */
const RUNS = ['pass', 'C-1', 'C-2', 'fail', 'fail', 'pass', 'C-3', 'pass'] as const;

function bundleOf(run: number, runs: readonly string[], minutes: ReadonlyMap<number, number>) {
  const what = runs[run - 1];
  const bundleId = `B-${run}`;
  if (what === 'pass' || what === 'fail') {
    // As results have it: the time goes on with the run.
    const checkedAt = `2026-07-01T12:${minutes.get(run) ?? 10 + run}:00+01:00`;
    const check = goodCheck(run, { outcome: what, checkedAt });
    return { ...goodParts([], { performanceChecks: [check] }), bundleId };
  }
  const result = goodResult(
    run,
    {
      resultId: `R-${run}`,
      receipt: { scanned: 'GR-1', entry: 'scanned' },
      container: { scanned: what ?? '', entry: 'scanned' },
    },
    seedFor(run, 'performance'),
  );
  return { ...goodParts([result]), bundleId };
}

async function settled(
  phases: readonly (readonly number[])[],
  count: number,
  runs: readonly string[] = RUNS,
  minutes: ReadonlyMap<number, number> = new Map(),
) {
  const [first, ...others] = BundleBench.over(await databasesOfProcesses(count));
  if (!first) throw new Error('there is no process');
  const { database, clock, site, statements } = first;
  const receipts = new ReceiptsService({
    site,
    evaluate: (trx, id, now) => statements.evaluateInTransaction(trx, id, now),
  });
  const at = clock.now();
  const line = announcement({ containers: ['C-1', 'C-2', 'C-3'], dockCount: 3 });
  await database.transact((trx) =>
    receipts.announce(trx, [line], { kind: 'system', name: 'test' }, at),
  );
  const workers = Array.from({ length: count }, (_, i) => `w-${i}`);
  await database.db
    .insertInto('worker')
    .values(workers.map((id) => ({ id, started_at: at, heartbeat_at: at, stopped_at: null })))
    .execute();
  let calls = 0;
  const processes = [first, ...others].map((bench, i) =>
    bench.process(async (task, by) => {
      calls += 1;
      await new Promise((resolve) => setTimeout(resolve, (calls * 7) % 11));
      return bench.examine(task, by);
    }, `w-${i}`),
  );
  for (const order of phases) {
    await statements.evaluateDue(10);
    for (const run of order) await first.take(bundleOf(run, runs, minutes));
    await Promise.all(processes.map((process) => workAll(first, process)));
  }
  const results = await database.db
    .selectFrom('result')
    .leftJoin('finding', 'finding.result_row_id', 'result.id')
    .select(['result.result_id', 'result.state', 'finding.code'])
    .orderBy('result.result_id')
    .orderBy('finding.code')
    .execute();
  const checks = await database.db
    .selectFrom('performance_check')
    .select(['check_id', 'verdict'])
    .orderBy('run_number')
    .execute();
  // What was last stored, which is not what would be said now.
  const { document } = await database.db
    .selectFrom('statement')
    .select('document')
    .where('receipt_id', '=', 'R-1')
    .orderBy('revision', 'desc')
    .executeTakeFirstOrThrow();
  const stored = JSON.parse(document) as Pick<StatementRecord, 'conditions'>;
  const open = await first.discrepancies();
  return {
    results,
    checks: checks.map(({ check_id: id, verdict }) => `${id} ${verdict}`),
    bracket: stored.conditions.find(({ code }) => code === 'performance-brackets'),
    failures: open.filter((d) => d.class === 'performance-failed').length,
  };
}

async function workAll(bench: BundleBench, process: BundlesService): Promise<void> {
  const end = performance.now() + 25_000;
  for (;;) {
    const waiting = await bench.database.db
      .selectFrom('bundle')
      .select('id')
      .where('state', '=', 'received')
      .executeTakeFirst();
    if (waiting === undefined) return;
    if (performance.now() > end) throw new Error('the work has no end');
    await process.workOnce();
  }
}

describe('performance checks and results of one instrument', () => {
  it.each([
    [[1, 2, 3, 4, 5, 6, 7, 8]],
    [[8, 7, 6, 5, 4, 3, 2, 1]],
    [[4, 6, 1, 8, 2, 5, 7, 3]],
    [[2, 5, 3, 8, 1, 7, 6, 4]],
  ])('say the same whoever settles them, in the order of arrival %j', async (order) => {
    const { results, checks, bracket, failures } = await settled([order], 3);
    expect(checks).toEqual(['P-1 pass', 'P-4 fail', 'P-5 fail', 'P-6 pass', 'P-8 pass']);
    const withdrawn = results.filter(({ code }) => code === 'performance-failed-twice');
    expect(withdrawn.map(({ result_id: id, state }) => `${id} ${state}`)).toEqual([
      'R-2 held',
      'R-3 held',
    ]);
    expect(bracket?.state).toBe('contradicted');
    expect(bracket?.found).toContain('checks P-4 and P-5 failed one after the other');
    expect(bracket?.found).not.toContain('R-7');
    expect(failures).toBe(2);
  });

  // The pass of run 3 was made three minutes before the check of run 2 that failed: an old one that came again.
  it('doubt in the failure’s own transaction what lies behind it, also where an older pass follows', async () => {
    const runs = ['pass', 'fail', 'pass', 'C-1', 'pass'];
    const minutes = new Map([
      [2, 14],
      [3, 11],
    ]);
    const before = await settled([[1, 3, 4, 5], []], 1, runs, minutes);
    expect(before.bracket?.found).not.toContain('R-4');
    const { bracket } = await settled([[1, 3, 4, 5], [2]], 1, runs, minutes);
    expect(bracket?.found).toContain('result R-4 of I-1 was measured after check P-2 failed');
  });
});
