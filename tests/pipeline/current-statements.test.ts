import { describe, expect, it } from 'vitest';
import { CurrentStatements } from '../../src/pipeline/current-statements.service.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { StatementWorld } from '../statements/statement-world.js';
import { BundleBench } from './bundle-bench.js';

const HOUR_MS = 3_600_000;

/** A fail of RC-1, which conforms, is taken in, and who asks for the statement. */
async function failTaken() {
  const world = await StatementWorld.open();
  await world.conform();
  const [bench] = BundleBench.over([world.database]);
  if (!bench) throw new Error('one for each database');
  const receipt = { scanned: 'RC-1', entry: 'scanned' } as const;
  await bench.take(goodParts([goodResult(1, { receipt, decision: 'fail' })], { bundleId: 'B-1' }));
  const bundles = bench.process(bench.examine);
  const current = new CurrentStatements(
    world.statements,
    bundles,
    { isRecovering: () => Promise.resolve(false) },
    () => Promise.resolve(false),
  );
  const outcome = async () => (await current.fresh('R-1', 'erp'))?.outcome ?? null;
  return { bench, bundles, outcome };
}

describe('a statement that is asked for while a fail waits for its checks', () => {
  it.each([
    ['of before', 0],
    ['that was set back since', -HOUR_MS],
  ])('is none by a clock %s, and does not conform once it is settled', async (_name, ms) => {
    const { bench, bundles, outcome } = await failTaken();
    bench.clock.advance(ms);
    expect(await outcome()).toBeNull();
    await bench.workAll(bundles);
    expect(await outcome()).toBe('does-not-conform');
  });
});
