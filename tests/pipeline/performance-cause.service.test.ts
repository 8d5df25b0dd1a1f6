import { describe, expect, it } from 'vitest';
import { PerformanceCauseService } from '../../src/pipeline/performance-cause.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { goodCheck, goodParts, goodResult } from '../checks/fixture.js';
import { ReviewBench } from './review-bench.js';

/** Release-safety rules 13 and 15: who says why a performance check failed. */

const check = (run: number, outcome: 'pass' | 'fail') => ({
  ...goodParts([], {
    performanceChecks: [
      goodCheck(run, { outcome, checkedAt: `2026-07-01T12:${10 + run}:00+01:00` }),
    ],
  }),
  bundleId: `B-check-${run}`,
});

/** A drum between a pass and a failure that a repeat followed, and behind that the other drum of its receipt. */
async function failed() {
  const bench = await ReviewBench.open();
  await bench.announce();
  const container = (scanned: string) => ({ scanned, entry: 'scanned' as const });
  await bench.settle(check(1, 'pass'));
  const inDoubt = goodResult(2, { container: container('C-1') });
  await bench.settle({ ...goodParts([inDoubt]), bundleId: 'B-2' });
  await bench.settle(check(3, 'fail'));
  await bench.settle(check(4, 'pass'));
  const other = goodResult(5, { container: container('C-2'), operatorId: 'op-9' });
  await bench.settle({ ...goodParts([other]), bundleId: 'B-5' });
  const { id } = await bench.db
    .selectFrom('performance_check')
    .select('id')
    .where('check_id', '=', 'P-3')
    .executeTakeFirstOrThrow();
  const { database, clock, site, statements } = bench.bench;
  const { signing } = bench;
  const parts = { database, clock, site, statements, signing, onSigned: () => undefined };
  const causes = new PerformanceCauseService(parts);
  const sign = async (who: SigningRequest) => {
    const shownSha256 = (await causes.show(id))?.sha256 ?? '';
    return causes.sign(id, { shownSha256, reason: 'it stood askew', investigation: 'INV-1' }, who);
  };
  return { bench, causes, id, sign };
}

describe('the cause of a failed performance check', () => {
  it.each([
    ['what is in doubt', 'op-1'],
    ['another drum of a receipt that it frees', 'op-9'],
  ])('is signed by nobody who measured %s', async (_, operatorId) => {
    const { bench, causes, id, sign } = await failed();
    expect((await causes.show(id))?.receipts).toEqual(['R-1']);
    const own = await bench.person('olga', { operatorIds: [operatorId] });
    expect(await sign(own)).toMatchObject({ why: 'duty-own-result' });
    expect(await bench.db.selectFrom('signature').select('id').execute()).toEqual([]);
  });

  it('is signed by a reviewer who measured on none of these receipts', async () => {
    const { bench, sign } = await failed();
    const robin = await bench.person('robin', { operatorIds: ['op-8'] });
    expect(await sign(robin)).toMatchObject({ kind: 'signed' });
  });
});
