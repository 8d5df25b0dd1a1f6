import { describe, expect, it } from 'vitest';
import { openInstance } from '../../src/pipeline/instance.store.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

describe('a database that was restored once more from the same backup', () => {
  it('begins a life with a number that none had which is remembered where it runs', async () => {
    const folder = await loadSiteFolder(NORTHQUAY, {});
    if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
    const database = await temporaryDatabase();
    const now = new ManualClock().now();
    const open = (epoch: number, instance: string) =>
      openInstance(
        database,
        folder,
        { place: 'here', mark: { instance, epoch, tick: 9 }, isOneFile: false },
        now,
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
  });
});
