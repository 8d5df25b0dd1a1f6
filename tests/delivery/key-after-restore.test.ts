import { describe, expect, it } from 'vitest';
import { beginRecovery } from '../../src/pipeline/begin-recovery.store.js';
import type { LoadedSiteFolder } from '../../src/site/site-folder.files.js';
import { Bench, siteFolder } from './northquay-bench.js';
import { Sink } from './sink.js';

const KEY_LIFETIME_MS = 60_000;

/** Something built and never sent as far as the backup knows; the life that the restore ended may have sent it. */
async function restored(isBuilt: boolean) {
  const sink = await Sink.start({ honoursKey: true });
  const b = await Bench.open({
    baseUrl: sink.url,
    honoursKey: true,
    askable: false,
    keyLifetimeMs: KEY_LIFETIME_MS,
    timing: { deadlineMs: 20_000 },
  });
  await b.announce();
  const id = await b.enqueue({ subjectId: 'a' });
  if (isBuilt) await b.service.buildDue('lims');
  const restore = async () => {
    const folder: Pick<LoadedSiteFolder, 'site' | 'mappingSources'> = {
      site: siteFolder([b.destination]),
      mappingSources: new Map(),
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
