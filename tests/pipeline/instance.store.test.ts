import { describe, expect, it } from 'vitest';
import { SiteFolderOutdated } from '../../src/errors.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import { isFolderInForce, siteInForce } from '../../src/methods/method-registry.store.js';
import { openInstance } from '../../src/pipeline/instance.store.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { knownService } from '../../src/statements/instrument-service.store.js';
import { change, sealerOn } from '../audit/sealing-world.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

const noMappings = () => Promise.resolve();

describe('a database that was restored once more from the same backup', () => {
  it('begins a life with a number that none had which is remembered where it runs', async () => {
    const folder = await loadSiteFolder(NORTHQUAY, {});
    if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
    const database = await temporaryDatabase();
    const now = new ManualClock().now();
    const open = (epoch: number, instance: string, epochOutside = 0) =>
      openInstance(
        database,
        folder,
        {
          place: 'here',
          mark: { instance, epoch, tick: 9, isCopied: false },
          isOneFile: false,
          epochOutside,
        },
        now,
        noMappings,
      );
    const { id } = await open(7, 'that of another gateway');
    const restore = () =>
      database.db
        .updateTable('instance')
        .set({ place: null, recovering: 'restored', epoch: 1 })
        .execute();
    await restore();
    expect((await open(7, 'that of another gateway')).epoch).toBe(2);
    await restore();
    expect((await open(2, id)).epoch).toBe(3);
    expect((await open(3, id)).epoch).toBe(3);
    // Nor one that only checkpoints outside tell of, where another machine has restored it.
    expect((await open(3, id, 8)).epoch).toBe(3);
    await restore();
    expect((await open(3, id, 8)).epoch).toBe(9);
  });

  it('says in the trail how much of it the life before had sealed', async () => {
    const folder = await loadSiteFolder(NORTHQUAY, {});
    if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
    const database = await temporaryDatabase();
    const clock = new ManualClock();
    const where = { place: 'here', mark: null, isOneFile: false, epochOutside: 0 };
    await openInstance(database, folder, where, clock.now(), noMappings);
    const { sealer } = await sealerOn(database, { clock });
    await sealer.sealAll();
    await change(database, 1, clock);
    await database.db
      .updateTable('instance')
      .set({ place: null, recovering: 'restored' })
      .execute();
    await openInstance(database, folder, where, clock.now(), noMappings);
    const begun = await database.db
      .selectFrom('audit_entry')
      .select('after')
      .where('action', '=', 'instance.recovering')
      .executeTakeFirstOrThrow();
    const head = await database.db
      .selectFrom('trail_head')
      .select('size')
      .executeTakeFirstOrThrow();
    expect(JSON.parse(begun.after ?? '')).toMatchObject({ epoch: 2, sealed: Number(head.size) });
  });
});

describe('a site folder', () => {
  it('leaves behind where it had instruments in service, also in a database that knew of none', async () => {
    const folder = await loadSiteFolder(NORTHQUAY, {});
    if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
    const [moved, ...others] = folder.site.instruments;
    if (moved === undefined) throw new Error('the site has instruments');
    const database = await temporaryDatabase();
    const clock = new ManualClock();
    const where = { place: 'here', mark: null, isOneFile: false, epochOutside: 0 };
    await openInstance(database, folder, where, clock.now(), noMappings);
    const known = () => knownService(database.db, folder.site.site);
    const before = await known();
    expect(before.map(({ serial, from, to }) => [serial, from, to])).toEqual(
      folder.site.instruments.map(({ serial }) => [serial, 0, null]),
    );
    // A database from before it was noted.
    await database.db.deleteFrom('instrument_service').execute();
    await openInstance(database, folder, where, clock.now(), noMappings);
    expect(await known()).toEqual(before);
    clock.advance(1_000);
    const instruments = [{ ...moved, inService: false }, ...others];
    const site = { ...folder.site, instruments, digest: sha256('changed') };
    await openInstance(database, { ...folder, site }, where, clock.now(), noMappings);
    expect((await known()).filter(({ to }) => to !== null)).toEqual([
      { serial: moved.serial, area: moved.area, from: 0, to: clock.now() },
    ]);
  });

  it('is in force when it was activated last, also by a clock that was set back meanwhile', async () => {
    const folder = await loadSiteFolder(NORTHQUAY, {});
    if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
    const database = await temporaryDatabase();
    const clock = new ManualClock();
    const where = { place: 'here', mark: null, isOneFile: false, epochOutside: 0 };
    const changed = { ...folder, site: { ...folder.site, digest: sha256('changed') } };
    await openInstance(database, folder, where, clock.now(), noMappings);
    expect(await isFolderInForce(database.db, folder.site)).toBe(true);
    clock.advance(-3_600_000);
    await openInstance(database, changed, where, clock.now(), noMappings);
    expect(await isFolderInForce(database.db, folder.site)).toBe(false);
    expect(await isFolderInForce(database.db, changed.site)).toBe(true);
    await expect(siteInForce(database.db, folder.site)).rejects.toThrow(SiteFolderOutdated);
    await openInstance(database, folder, where, clock.now(), noMappings);
    expect(await isFolderInForce(database.db, folder.site)).toBe(true);
  });
});
