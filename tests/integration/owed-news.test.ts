import { rmSync } from 'node:fs';
import { join } from 'node:path';
import { beforeEach, describe, expect, it, vi } from 'vitest';
import { stopKey } from '../../src/delivery/new-delivery.js';
import { enqueueDelivery } from '../../src/delivery/outbox.store.js';
import { type DatabasePlace, openDatabase } from '../../src/storage/database.js';
import type { DeliveryRow } from '../../src/storage/tables.js';
import { startOnce } from '../support/another-process.js';
import { NORTHQUAY, northquayWith } from '../support/site-folder-copy.js';
import { temporaryPlace, writerOf } from '../support/temp-database.js';

/** A destination is not forgotten while a stop or a withdrawal has not reached it. */

beforeEach(() => {
  vi.stubEnv('NORTHQUAY_LIMS_TOKEN', 'simulated');
  vi.stubEnv('NORTHQUAY_ERP_TOKEN', 'simulated');
});

/** Northquay without its ERP, the last destination of the file. */
function withoutErp(): string {
  const folder = northquayWith({
    'site.yaml': (text) => text.slice(0, text.indexOf('  - name: erp')),
  });
  rmSync(join(folder, 'erp.mapping.yaml'));
  return folder;
}

async function owe(place: DatabasePlace, kind: 'stop' | 'withdrawal', destination: string) {
  const database = await openDatabase(place);
  await database.transact((trx) =>
    enqueueDelivery(trx, {
      site: 'northquay',
      subjectKind: kind,
      subjectId: `${kind}-1`,
      subjectRevision: 2,
      receiptId: 'R-1',
      destination,
      message: kind,
      orderingKey: stopKey('R-1'),
      isConforms: false,
      isContrary: false,
      mappingDigest: 'any',
      epoch: 1,
      now: database.clock.now(),
    }),
  );
  await database.close();
}

async function set(place: DatabasePlace, change: Partial<DeliveryRow>): Promise<void> {
  const db = writerOf(place);
  await db.updateTable('delivery').set(change).execute();
  await db.destroy();
}

describe('a destination that was taken out of the site folder', () => {
  it.each(['stop', 'withdrawal'] as const)(
    'stops the start while a %s is due at it, and nothing of the start is kept',
    async (kind) => {
      const place = await temporaryPlace();
      await startOnce(place, NORTHQUAY);
      await owe(place, kind, 'erp');
      const db = writerOf(place);
      const sites = () => db.selectFrom('site').selectAll().execute();
      const before = await sites();
      await expect(startOnce(place, withoutErp())).rejects.toMatchObject({
        code: 'destination-still-owed',
        found: `erp: 1 ${kind}; the site folder names lims`,
      });
      expect(await sites()).toEqual(before);
      await db.destroy();
      // Back in its place it gets what it is owed.
      await startOnce(place, NORTHQUAY);
    },
  );

  it.each<[string, Partial<DeliveryRow>, boolean]>([
    ['in doubt', { state: 'uncertain' }, false],
    ['parked for a person', { state: 'parked' }, false],
    ['refused there', { state: 'rejected' }, false],
    ['accepted and to be asked about', { state: 'accepted', next_ask_at: 1 as never }, false],
    ['accepted where nobody can ask', { state: 'accepted', next_ask_at: null }, true],
    ['confirmed', { state: 'confirmed' }, true],
    ['superseded', { state: 'superseded' }, true],
  ])('whose stop is %s', async (_name, change, mayGo) => {
    const place = await temporaryPlace();
    await startOnce(place, NORTHQUAY);
    await owe(place, 'stop', 'erp');
    await set(place, change);
    const starting = startOnce(place, withoutErp());
    if (mayGo) await expect(starting).resolves.toBeUndefined();
    else await expect(starting).rejects.toMatchObject({ code: 'destination-still-owed' });
  });

  it('does not stop the start for what is due at the others', async () => {
    const place = await temporaryPlace();
    await startOnce(place, NORTHQUAY);
    await owe(place, 'stop', 'lims');
    await startOnce(place, withoutErp());
  });
});
