import { describe, expect, it } from 'vitest';
import { enqueueDelivery } from '../../src/delivery/outbox.store.js';
import { Misconfigured, SiteFolderOutdated } from '../../src/errors.js';
import { openInstance } from '../../src/pipeline/instance.store.js';
import { MissingDeliveries } from '../../src/pipeline/missing-deliveries.service.js';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import { lockSiteEvidence, shareSiteEvidence } from '../../src/receipts/facts.store.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import type { Destination } from '../../src/site/site-folder.js';
import type { ActiveMapping } from '../../src/statements/statement-messages.js';
import type { OpenDatabase, Trx } from '../../src/storage/database.js';
import { at, goodParts, goodResult, SITE } from '../checks/fixture.js';
import { somebodyWaits } from '../support/lock-waits.js';
import { COMMAND_LINE } from '../support/people.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';
import { until } from '../support/until.js';
import { MAPPINGS, ReviewBench } from './review-bench.js';

/**
 * A plan rests on what its process knows of the site, and what it puts into the outbox is owed. A folder that drops the
 * destination and is activated at the same moment comes before it, or sees it.
 */

/** Does `first`, then `other` until that waits, and commits. */
async function beside<T>(
  database: OpenDatabase,
  first: (trx: Trx) => Promise<unknown>,
  other: () => Promise<T>,
): Promise<T> {
  let done: () => void = () => undefined;
  const isDone = new Promise<void>((resolve) => {
    done = resolve;
  });
  let commit: () => void = () => undefined;
  const mayCommit = new Promise<void>((resolve) => {
    commit = resolve;
  });
  const running = database.transact(async (trx) => {
    await first(trx);
    done();
    await mayCommit;
  });
  await isDone;
  let hasEnded = false;
  const ended = other().finally(() => {
    hasEnded = true;
  });
  ended.catch(() => undefined);
  await until('it waits or ends', async () => hasEnded || (await somebodyWaits(database)));
  commit();
  await running;
  return ended;
}

describe('a plan beside the activation of another folder', () => {
  it('waits for the one that is being activated, and sends nothing by the one before', async () => {
    const archive = { name: 'archive', requiredForStatement: true, acts: false };
    const both = { ...SITE, destinations: [...SITE.destinations, archive as Destination] };
    const bench = await ReviewBench.open(both);
    await bench.announce();
    await bench.settle(goodParts([goodResult(1), goodResult(2)]));
    const { database, clock } = bench.bench;
    const mapping: ActiveMapping = { digest: 'a', messages: ['result'] };
    const missing = new MissingDeliveries({
      database,
      clock,
      site: both,
      messages: new ResultMessages(both, new Map([...MAPPINGS, ['archive', mapping]]), 1),
      onPlanned: () => undefined,
    });
    const activate = async (trx: Trx) => {
      await lockSiteEvidence(trx, SITE.site);
      const folder = { site: SITE.site, digest: 'f'.repeat(64), content: '{}' };
      await trx
        .insertInto('site')
        .values({ ...folder, activated_at: at('2026-07-02T08:00:00Z') })
        .execute();
    };
    const planned = beside(database, activate, () => missing.plan('R-1', COMMAND_LINE, 'CR-14'));
    await expect(planned).rejects.toThrow(SiteFolderOutdated);
    const sent = bench.db.selectFrom('delivery').select('id').where('destination', '=', 'archive');
    expect(await sent.execute()).toEqual([]);
  });

  it('is seen by the one that is activated behind it, which is refused for what is owed', async () => {
    const folder = await loadSiteFolder(NORTHQUAY, {});
    if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
    const database = await temporaryDatabase();
    const now = new ManualClock().now();
    const { site } = folder.site;
    const where = { place: 'here', mark: null, isOneFile: false, epochOutside: 0 };
    await openInstance(database, folder, where, now, () => Promise.resolve());
    const plan = async (trx: Trx) => {
      await shareSiteEvidence(trx, site);
      await enqueueDelivery(trx, {
        site,
        subjectKind: 'withdrawal',
        subjectId: 'w-1',
        subjectRevision: 1,
        receiptId: null,
        destination: 'archive-of-before',
        message: 'withdrawal',
        orderingKey: 'result:r-1',
        isConforms: false,
        isContrary: true,
        mappingDigest: 'a',
        epoch: 1,
        now,
      });
    };
    const start = () => openInstance(database, folder, where, now, () => Promise.resolve());
    const started = beside(database, plan, start);
    await expect(started).rejects.toThrow(Misconfigured);
    await expect(started).rejects.toThrow('archive-of-before: 1 withdrawal');
  });
});
