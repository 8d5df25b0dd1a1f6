import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { insertSignature, latestSignaturesOf } from '../../src/signatures/signatures.store.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { ReviewBench } from '../pipeline/review-bench.js';
import { AT, SHOWN, signed } from './signed.js';

describe('the latest signatures of several subjects', () => {
  it('are one of each, by time and then by id, of the kind, the site and the ids that were asked for', async () => {
    const bench = await ReviewBench.open();
    await bench.announce();
    const reviewer = await bench.person('robin');
    await bench.settle(goodParts([goodResult(1, { measuredAt: '2026-07-01T12:11:00+02:00' })]));
    await bench.review('clear', await bench.rowId('R-1'), reviewer);
    const made = await bench.db.selectFrom('signature').selectAll().executeTakeFirstOrThrow();
    const { site } = made;
    const rows: readonly [string, string, string, number, string][] = [
      ['a1', 'site-decision', 'D-1', 0, site],
      ['a2', 'site-decision', 'D-1', 5, site],
      ['a3', 'site-decision', 'D-2', 5, site],
      ['a4', 'site-decision', 'D-2', 5, site],
      ['a5', 'statement', 'D-1', 9, site],
      ['a6', 'site-decision', 'D-1', 9, 'elsewhere'],
      ['a7', 'site-decision', 'D-3', 9, site],
    ];
    await bench.bench.database.transact(async (trx) => {
      for (const [id, kind, subject, later, of] of rows) {
        const about = { subject: { kind, id: subject, revision: 1 } };
        await insertSignature(
          trx,
          signed(
            {
              id,
              series: id,
              site: of,
              at: addMs(AT, later),
              accountId: made.account_id,
              ...about,
            },
            { ...SHOWN, ...about },
          ),
        );
      }
    });
    const read = (ids: readonly string[]) =>
      latestSignaturesOf(bench.db, site, 'site-decision', ids);
    const found = [...(await read(['D-2', 'D-1', 'D-404']))].map(([id, s]) => [id, s.id]).sort();
    expect(found).toEqual([
      ['D-1', 'a2'],
      ['D-2', 'a4'],
    ]);
    expect(await read([])).toEqual(new Map());
  });
});
