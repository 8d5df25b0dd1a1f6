import { beforeEach, describe, expect, it, vi } from 'vitest';
import { MappingService } from '../../src/mapping/mapping.service.js';
import { openInstance } from '../../src/pipeline/instance.store.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { startOnce } from '../support/another-process.js';
import { poolForFile } from '../support/mapping-bench.js';
import { replacing } from '../support/site-edits.js';
import { NORTHQUAY, northquayWith } from '../support/site-folder-copy.js';
import {
  databasesOfProcesses,
  ManualClock,
  readerOf,
  temporaryPlace,
} from '../support/temp-database.js';

/** A site folder and its mappings come in force together, or not at all. */

const pool = poolForFile();

beforeEach(() => {
  vi.stubEnv('NORTHQUAY_LIMS_TOKEN', 'simulated');
  vi.stubEnv('NORTHQUAY_ERP_TOKEN', 'simulated');
});

describe('a site folder whose mapping is refused', () => {
  it.each([
    ['erp.mapping.yaml', replacing('incomplete: AWAITING', 'incomplete: USE-PERMITTED')],
    ['erp.inbound.yaml', replacing('to: receiptId', 'to: supplierLot')],
  ])(
    'leaves the one before in force, by which the other processes work: %s',
    async (file, edit) => {
      const place = await temporaryPlace();
      await startOnce(place, NORTHQUAY);
      const db = readerOf(place);
      const sites = () => db.selectFrom('site').select('digest').execute();
      const before = await sites();
      expect(before).toHaveLength(1);
      await expect(startOnce(place, northquayWith({ [file]: edit }))).rejects.toMatchObject({
        code: 'site-folder-invalid',
      });
      expect(await sites()).toEqual(before);
      await db.destroy();
    },
  );
});

describe('processes that start at once with other mappings each', () => {
  it('leave those of the folder in force, and no others beside them', async () => {
    const databases = await databasesOfProcesses(4);
    const now = new ManualClock().now();
    const folders = await Promise.all(
      databases.map(async (_database, n) => {
        const text = replacing('A laboratory', `Laboratory ${n}`);
        const folder = await loadSiteFolder(northquayWith({ 'lims.mapping.yaml': text }), {});
        if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
        return folder;
      }),
    );
    await Promise.all(
      folders.map((folder, n) => {
        const database = databases[n] ?? databases[0];
        if (database === undefined) throw new Error('no database');
        const service = new MappingService(database, pool, folder.site.site);
        const where = { place: 'here', mark: null, isOneFile: false, epochOutside: 0 };
        return openInstance(database, folder, where, now, (trx) =>
          service.putInForce(trx, {
            site: folder.site,
            mappings: folder.mappingSources,
            proposedBy: { kind: 'system', name: 'start' },
            approvedBy: 'tester',
            now,
          }),
        );
      }),
    );
    const db = databases[0]?.db;
    const site = await db
      ?.selectFrom('site')
      .select('digest')
      .orderBy('activated_at', 'desc')
      .executeTakeFirstOrThrow();
    const inForce = folders.find((folder) => folder.site.digest === site?.digest);
    const active = await db
      ?.selectFrom('mapping_revision')
      .select('digest')
      .where('active', '=', 1)
      .orderBy('destination')
      .execute();
    const expected = ['erp', 'lims'].map((name) => inForce?.mappingSources.get(name)?.digest);
    expect(active?.map(({ digest }) => digest)).toEqual(expected);
  });
});
