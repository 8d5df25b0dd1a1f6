import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { requestGateway } from '../../src/cli/gateway-request.files.js';
import { readSettings } from '../../src/config.js';
import { readMark } from '../../src/pipeline/instance-mark.files.js';
import type { DatabasePlace } from '../../src/storage/database.js';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { northquayWith } from '../support/site-folder-copy.js';
import {
  isPostgres,
  readerOf,
  temporaryDirectory,
  temporaryPlace,
} from '../support/temp-database.js';
import { tightened } from '../support/tightened-folder.js';

/** Commands open the application themselves where no gateway runs on their data folder. What only a start may do is none of theirs. */

const LONG_MS = 60_000;

/** As a command that reads and one that writes ask. */
function ask(place: DatabasePlace, siteFolder: string, path = '/api/v1/destinations') {
  const settings = readSettings(
    { DRUMLINE_LOG_LEVEL: 'silent' },
    { data: place.dataDirectory, siteFolder },
  );
  return requestGateway({ ...settings, databaseUrl: place.databaseUrl }, { method: 'GET', path });
}

describe('a command where no gateway runs', () => {
  let world: GatewayWorld;
  let place: DatabasePlace;

  beforeEach(async () => {
    world = await GatewayWorld.open();
    await new Dock(world).announce(receiptOf(1));
    await world.quiet();
    place = world.databasePlace;
    await world.stop();
  });

  afterEach(async () => {
    await world.restartAt(place);
    await world.close();
  });

  /** What a start may change. */
  async function whatAStartChanges() {
    const db = readerOf(place);
    try {
      return {
        sites: await db.selectFrom('site').select(['digest', 'activated_at']).execute(),
        mappings: await db.selectFrom('mapping_revision').selectAll().orderBy('digest').execute(),
        due: await db.selectFrom('receipt').select(['id', 'evaluation_due']).execute(),
        versions: await db.selectFrom('method_version').select('content_digest').execute(),
        looks: await db.selectFrom('destination_watch').select('must_look').execute(),
        pauses: await db.selectFrom('destination').select(['name', 'paused']).execute(),
        entries: await db.selectFrom('audit_entry').select('action').orderBy('id').execute(),
        life: await db
          .selectFrom('instance')
          .select(['id', 'epoch', 'place', 'recovering'])
          .executeTakeFirstOrThrow(),
      };
    } finally {
      await db.destroy();
    }
  }

  const tick = async () => {
    const db = readerOf(place);
    const { tick } = await db.selectFrom('instance').select('tick').executeTakeFirstOrThrow();
    await db.destroy();
    return tick;
  };

  it(
    'goes by the folder in force, and changes nothing of it',
    async () => {
      const before = await whatAStartChanges();
      const { status, text } = await ask(place, world.siteFolder);
      expect([status, text]).toEqual([200, expect.stringContaining('erp')]);
      expect(await whatAStartChanges()).toEqual(before);
    },
    LONG_MS,
  );

  it(
    'is refused with another folder, and leaves the one in force in force',
    async () => {
      const before = await whatAStartChanges();
      const other = ask(place, tightened(world.siteFolder));
      await expect(other).rejects.toMatchObject({
        code: 'site-folder-outdated',
        found: expect.stringContaining(before.sites[0]?.digest ?? 'none') as string,
      });
      expect(await whatAStartChanges()).toEqual(before);
    },
    LONG_MS,
  );

  it(
    'begins no life of a database that was restored, and waits for a start',
    async () => {
      const restored = { place: null, recovering: 'restored' as const };
      await world.write((db) => db.updateTable('instance').set(restored).execute());
      const before = await whatAStartChanges();
      await expect(ask(place, world.siteFolder)).rejects.toMatchObject({ code: 'life-not-begun' });
      expect(await whatAStartChanges()).toEqual(before);
    },
    LONG_MS,
  );

  it(
    'is refused on a database that is older than its data folder remembers',
    async () => {
      const remembered = readMark(place.dataDirectory)?.tick ?? 0;
      const earlier = { tick: remembered - 1 };
      await world.write((db) => db.updateTable('instance').set(earlier).execute());
      const before = await whatAStartChanges();
      await expect(ask(place, world.siteFolder)).rejects.toMatchObject({ code: 'life-not-begun' });
      expect(await whatAStartChanges()).toEqual(before);
    },
    LONG_MS,
  );

  it(
    'counts on a file as one that lived there, and on a server leaves that to those who do',
    async () => {
      const before = await tick();
      const own = isPostgres
        ? { ...place, dataDirectory: join(temporaryDirectory(), 'own') }
        : place;
      expect((await ask(own, world.siteFolder)).status).toBe(200);
      expect(await tick()).toBe(isPostgres ? before : before + 1);
      expect(readMark(own.dataDirectory)?.tick).toBe(isPostgres ? undefined : before + 1);
      expect(existsSync(join(own.dataDirectory, 'instance.json'))).toBe(!isPostgres);
    },
    LONG_MS,
  );
});

it('a command is the first start of a database that nothing was started on', async () => {
  vi.stubEnv('NORTHQUAY_LIMS_TOKEN', 'simulated');
  vi.stubEnv('NORTHQUAY_ERP_TOKEN', 'simulated');
  const place = await temporaryPlace();
  const siteFolder = northquayWith({});
  expect((await ask(place, siteFolder)).status).toBe(200);
  const db = readerOf(place);
  const sites = await db.selectFrom('site').select('site').execute();
  const { epoch } = await db.selectFrom('instance').select('epoch').executeTakeFirstOrThrow();
  await db.destroy();
  expect([sites, epoch]).toEqual([[{ site: 'northquay' }], 1]);
  expect(readMark(place.dataDirectory)?.epoch).toBe(1);
});
