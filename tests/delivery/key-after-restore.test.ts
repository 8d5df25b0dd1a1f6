import { describe, expect, it } from 'vitest';
import { cancelUnsentResult, destinationsHolding } from '../../src/delivery/outbox.store.js';
import { beginRecovery } from '../../src/pipeline/begin-recovery.store.js';
import type { MappingSource } from '../../src/site/mapping-source.js';
import type { LoadedSiteFolder } from '../../src/site/site-folder.files.js';
import { Bench, type BenchOptions, SITE, siteFolder } from './northquay-bench.js';
import { Sink } from './sink.js';

const KEY_LIFETIME_MS = 60_000;
const ASKABLE = {
  document: { messages: { result: { readBack: {} } } },
} as unknown as MappingSource;

/** Something built and never sent as far as the backup knows; the life that the restore ended may have sent it. */
async function restored(
  isBuilt: boolean,
  telling: Partial<BenchOptions> = { honoursKey: true, keyLifetimeMs: KEY_LIFETIME_MS },
) {
  const sink = await Sink.start({ honoursKey: true });
  const b = await Bench.open({
    baseUrl: sink.url,
    askable: false,
    timing: { deadlineMs: 20_000 },
    ...telling,
  });
  await b.announce();
  const id = await b.enqueue({ subjectId: 'a' });
  if (isBuilt) await b.service.buildDue('lims');
  const restore = async () => {
    const folder: Pick<LoadedSiteFolder, 'site' | 'mappingSources'> = {
      site: siteFolder([b.destination]),
      mappingSources: new Map(telling.askable ? [['lims', ASKABLE]] : []),
    };
    const instance = {
      id: 'instance',
      epoch: 1,
      created_at: b.clock.now(),
      place: null,
      tick: 1,
      recovering: null,
      recovering_since: null,
      facts_until: null,
    };
    await b.database.transact((trx) =>
      beginRecovery(trx, folder as LoadedSiteFolder, instance, 'restored', b.clock.now(), 1),
    );
  };
  return { b, sink, id, restore };
}

describe.each([
  ['built', true],
  ['not built', false],
] as const)('after a restore, what may have been sent before and was %s', (_, isBuilt) => {
  it('is left to a person where its key may be forgotten by now', async () => {
    const { b, sink, id, restore } = await restored(isBuilt);
    b.clock.advance(KEY_LIFETIME_MS);
    await restore();
    await b.settle();
    expect(sink.sends()).toBe(0);
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'cannot-ask' });
  });

  it('is sent under its key while that is remembered for certain', async () => {
    const { b, sink, id, restore } = await restored(isBuilt);
    await restore();
    await b.settle();
    expect(sink.sends()).toBe(1);
    expect((await b.row(id)).state).toBe('accepted');
  });
});

describe.each<[string, Partial<BenchOptions>]>([
  ['can be asked', { honoursKey: false, askable: true }],
  ['honours keys', { honoursKey: true }],
  ['honours keys for a while', { honoursKey: true, keyLifetimeMs: KEY_LIFETIME_MS }],
  ['does neither', { honoursKey: false }],
])('a destination that %s may hold what seems unsent after a restore', (_, telling) => {
  it.each([
    ['waited, not built', false, {}],
    ['waited, built', true, {}],
    // The life before may have had it sent all the same by somebody's decision.
    ['was parked before it was sent', false, { state: 'parked', fault: 'mapping' }],
    ['was rejected', true, { state: 'rejected', attempts: 1 }],
  ] as const)(
    'and a result that %s is withdrawn there when it is held',
    async (__, isBuilt, put) => {
      const { b, id, restore } = await restored(isBuilt, telling);
      if ('state' in put) {
        await b.database.db.updateTable('delivery').set(put).where('id', '=', id).execute();
      }
      await restore();
      const [cancelled, holding] = await b.database.transact(async (trx) => [
        await cancelUnsentResult(trx, SITE, 'a', 'held after delivery'),
        await destinationsHolding(trx, SITE, { id: 'a', revision: 1 }),
      ]);
      expect({ cancelled, holding }).toEqual({ cancelled: [], holding: ['lims'] });
    },
  );
});
