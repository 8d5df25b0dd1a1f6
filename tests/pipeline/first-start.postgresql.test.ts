import { describe, expect, it } from 'vitest';
import { sha256 } from '../../src/formats/canonical-json.js';
import { openInstance } from '../../src/pipeline/instance.store.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { databasesOfProcesses, ManualClock } from '../support/temp-database.js';

const noMappings = () => Promise.resolve();

describe('processes that start at once on a new database', () => {
  it('begin one life, also with different site folders', async () => {
    const folder = await loadSiteFolder(NORTHQUAY, {});
    if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
    const databases = await databasesOfProcesses(4);
    const now = new ManualClock().now();
    const where = { place: 'here', mark: null, isOneFile: false, epochOutside: 0 };
    const opened = await Promise.all(
      databases.map((database, n) =>
        openInstance(
          database,
          { ...folder, site: { ...folder.site, digest: sha256(`folder ${n}`) } },
          where,
          now,
          noMappings,
        ),
      ),
    );
    expect(new Set(opened.map(({ id }) => id)).size).toBe(1);
    const [first] = databases;
    expect(await first?.db.selectFrom('instance').select('id').execute()).toHaveLength(1);
  });
});
