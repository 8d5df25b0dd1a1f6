import { describe, expect, it } from 'vitest';
import type { DeliveryParts } from '../../src/delivery/delivery-parts.service.js';
import type { AskRequest } from '../../src/delivery/endpoint.js';
import { Looking } from '../../src/delivery/looking.service.js';
import { addMs } from '../../src/formats/instant.js';
import { SweepService } from '../../src/reconciliation/sweep.service.js';
import { SweepFindings } from '../../src/reconciliation/sweep-findings.service.js';
import type { MappingDocument } from '../../src/site/mapping-document.js';
import { answerOf } from '../delivery/answer-of.js';
import { StatementWorld } from '../statements/statement-world.js';
import { LIST } from './list.js';

/** Asks `lims` for its list, which names what is behind its first page by this cursor, until the sweep stands still. */
async function swept(next: unknown) {
  const world = await StatementWorld.open();
  await world.announce();
  const { database, clock, site } = world;
  const findings = new SweepFindings(database, clock, site, {
    evaluate: (trx, id, now) => world.statements.evaluateInTransaction(trx, id, now),
    openUnowned: () => Promise.reject(new Error('everything here has a receipt')),
    onChanged: () => undefined,
  });
  const result = { no: 'L-1', ref: 'x', kind: 'R', receipt: 'R-1', result: 'r', rev: 1 };
  const stop = { no: 'L-2', ref: 'y', kind: 'S', receipt: 'R-1', rev: 40 };
  const sweeps = new SweepService({
    database,
    clock,
    site,
    worker: { id: 'worker', mayStart: true },
    since: addMs(clock.now(), -3_600_000),
    findings,
    looking: new Looking({
      options: { secrets: { mask: (text: string) => text } },
      endpoint: () => ({
        ask: ({ path }: AskRequest) =>
          Promise.resolve(
            answerOf(
              200,
              path.endsWith('after=') ? { entries: [result], next } : { entries: [stop] },
            ),
          ),
      }),
    } as unknown as DeliveryParts),
    documents: new Map([
      ['lims', { list: LIST, format: 'json', messages: {} } as unknown as MappingDocument],
    ]),
  });
  const period = { from: addMs(clock.now(), -86_400_000), to: addMs(clock.now(), -3_600_000) };
  await sweeps.request('lims', period, 'recovery', { kind: 'system', name: 'test' });
  for (let n = 0; n < 20; n += 1) {
    await sweeps.workOnce('lims');
    clock.advance(1_000);
  }
  const { state, items, detail } = await database.db
    .selectFrom('sweep')
    .select(['state', 'items', 'detail'])
    .executeTakeFirstOrThrow();
  const { revision_floor: floor } = await database.db
    .selectFrom('receipt')
    .select('revision_floor')
    .executeTakeFirstOrThrow();
  return { state, items: Number(items), detail, floor };
}

describe('a stop of a lost life on the second page of a list', () => {
  it.each([3, 501, 1_000])('is found behind a cursor of %i characters', async (length) => {
    expect(await swept('c'.repeat(length))).toEqual({
      state: 'done',
      items: 2,
      detail: null,
      floor: 40,
    });
  });

  it.each([
    ['has more characters than are kept', 'c'.repeat(1_001), '1001 characters'],
    ['is an object', { after: '7' }, 'no single text'],
    ['is a list', ['7'], 'no single text'],
  ])('is not taken for absent where the cursor %s', async (_what, next, words) => {
    expect(await swept(next)).toEqual({
      state: 'listing',
      items: 0,
      detail: expect.stringContaining(words) as string,
      floor: 0,
    });
  });
});
