import { describe, expect, it } from 'vitest';
import { Misconfigured } from '../../src/errors.js';
import { MappingService } from '../../src/mapping/mapping.service.js';
import { sampleResult, sampleStatement } from '../../src/mapping/sample-subjects.js';
import type { MappingSource } from '../../src/site/mapping-source.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { mappingWith, poolForFile } from '../support/mapping-bench.js';
import { replacing } from '../support/site-edits.js';
import { type FileEdits, NORTHQUAY } from '../support/site-folder-copy.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

const pool = poolForFile();
const clock = new ManualClock();
const loaded = await loadSiteFolder(NORTHQUAY, {});
if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
const site: SiteFolder = loaded.site;

const mappings = (edits: FileEdits = {}): ReadonlyMap<string, MappingSource> =>
  new Map(['lims', 'erp'].map((name) => [name, mappingWith(name, edits)]));

/** As a start does. */
async function activate(
  service: MappingService,
  database: OpenDatabase,
  of: FileEdits | ReadonlyMap<string, MappingSource> = {},
): Promise<void> {
  clock.advance(1000);
  const sources = of instanceof Map ? of : mappings(of as FileEdits);
  await service.requireSound(sources);
  await database.transact((trx) =>
    service.putInForce(trx, {
      site,
      mappings: sources,
      proposedBy: { kind: 'system', name: 'start' },
      approvedBy: 'tester',
      now: clock.now(),
    }),
  );
  await service.prepare(sources);
}

const audits = (database: OpenDatabase) =>
  database.db.selectFrom('audit_entry').selectAll().orderBy('at').orderBy('subject_id').execute();

describe('activation', () => {
  it('stores content, digest, proposer and approver, and leaves an audit entry for each', async () => {
    const database = await temporaryDatabase();
    await activate(new MappingService(database, pool, 'northquay'), database);
    const rows = await database.db.selectFrom('mapping_revision').selectAll().execute();
    expect(rows.map((row) => row.destination).sort()).toEqual(['erp', 'lims']);
    expect(rows[0]).toMatchObject({ active: 1, activated_by: 'start', approved_by: 'tester' });
    const files = rows.flatMap((row) => Object.keys(JSON.parse(row.content) as object));
    expect(files).toContain('tables/entries.csv');
    expect(files).toContain('contracts/erp-stop.json');
    expect((await audits(database)).map((row) => row.action)).toEqual([
      'mapping.activated',
      'mapping.activated',
    ]);
  });

  it('changes nothing when the same mappings are activated again', async () => {
    const database = await temporaryDatabase();
    const service = new MappingService(database, pool, 'northquay');
    await activate(service, database);
    const before = await service.activeDigests();
    await activate(service, database);
    expect(await service.activeDigests()).toEqual(before);
    expect(await audits(database)).toHaveLength(2);
  });

  it('compiles what it puts in force, so that the first message waits for nothing', async () => {
    const database = await temporaryDatabase();
    const service = new MappingService(database, pool, 'northquay');
    await activate(service, database);
    const digests = await service.activeDigests();
    expect(digests.size).toBe(2);
    await database.close();
    for (const [destination, digest] of digests) {
      const { document } = await service.forDigest(digest);
      expect(document.destination).toBe(destination);
    }
  });

  it('leaves an audit entry for a mapping that goes out of force with its destination', async () => {
    const database = await temporaryDatabase();
    const service = new MappingService(database, pool, 'northquay');
    await activate(service, database);
    const lims = (await service.activeDigests()).get('lims');
    await activate(service, database, new Map([['erp', mappingWith('erp')]]));
    expect([...(await service.activeDigests()).keys()]).toEqual(['erp']);
    const retired = (await audits(database)).filter((row) => row.action === 'mapping.retired');
    expect(retired.map((row) => row.subject_id)).toEqual([`lims:${lims}`]);
  });

  it('refuses a mapping with a fault, names file and line, and leaves what was in force', async () => {
    const database = await temporaryDatabase();
    const service = new MappingService(database, pool, 'northquay');
    await activate(service, database);
    const before = await service.activeDigests();
    const broken = {
      'erp.mapping.yaml': replacing('incomplete: AWAITING', 'incomplete: USE-PERMITTED'),
    };
    const refusal = await activate(service, database, broken).then(
      () => null,
      (error: unknown) => error,
    );
    expect(refusal).toBeInstanceOf(Misconfigured);
    expect(refusal).toMatchObject({ code: 'site-folder-invalid' });
    expect((refusal as Error).message).toMatch(/erp\.mapping\.yaml:\d+:\d+ release-vocabulary/);
    expect(await service.activeDigests()).toEqual(before);
  });

  it('keeps old revisions for the deliveries that pinned them', async () => {
    const database = await temporaryDatabase();
    const first = new MappingService(database, pool, 'northquay');
    await activate(first, database);
    const old = (await first.activeDigests()).get('lims') ?? '';
    const edit = {
      'lims.mapping.yaml': replacing('pass: PASSED', 'pass: OKAYED'),
      'contracts/lims-result.json': replacing('"PASSED"', '"OKAYED"'),
    };
    await activate(first, database, edit);
    // A service that starts later has nothing in memory: it reads the store.
    const second = new MappingService(database, pool, 'northquay');
    const fresh = (await second.activeDigests()).get('lims') ?? '';
    expect(fresh).not.toBe(old);
    const text = async (digest: string) => {
      const outcome = await second.build(digest, 'result', sampleResult());
      return outcome.ok
        ? Buffer.from(outcome.payload.bytes).toString()
        : JSON.stringify(outcome.problems);
    };
    expect(await text(old)).toContain('"decision":"PASSED"');
    expect(await text(fresh)).toContain('"decision":"OKAYED"');
  });

  it('takes a revision back into force when the folder goes back to it', async () => {
    const database = await temporaryDatabase();
    const service = new MappingService(database, pool, 'northquay');
    await activate(service, database);
    const first = await service.activeDigests();
    await activate(service, database, { 'lims.mapping.yaml': replacing('A laboratory', 'A lab') });
    await activate(service, database);
    expect(await service.activeDigests()).toEqual(first);
    expect(await database.db.selectFrom('mapping_revision').selectAll().execute()).toHaveLength(3);
  });

  it('retires the mapping of a destination that is gone', async () => {
    const database = await temporaryDatabase();
    const service = new MappingService(database, pool, 'northquay');
    await activate(service, database);
    await activate(service, database, new Map([['lims', mappingWith('lims')]]));
    expect([...(await service.activeDigests()).keys()]).toEqual(['lims']);
  });
});

describe('a stored revision', () => {
  it('that was never activated is a defect, not an empty mapping', async () => {
    const service = new MappingService(await temporaryDatabase(), pool, 'northquay');
    await expect(service.forDigest('0'.repeat(64))).rejects.toThrow(/was ever activated/);
  });

  it('whose content was altered is not used', async () => {
    const database = await temporaryDatabase();
    const service = new MappingService(database, pool, 'northquay');
    await activate(service, database);
    const digest = (await service.activeDigests()).get('erp') ?? '';
    const row = await database.db
      .selectFrom('mapping_revision')
      .select('content')
      .where('digest', '=', digest)
      .executeTakeFirstOrThrow();
    await database.db
      .updateTable('mapping_revision')
      .set({ content: row.content.replace('incomplete: AWAITING', 'incomplete: AWAITS') })
      .where('digest', '=', digest)
      .execute();
    const started = new MappingService(database, pool, 'northquay');
    await expect(started.build(digest, 'statement', sampleStatement())).rejects.toThrow(/altered/);
  });

  it('is never given a subject of another message', async () => {
    const service = new MappingService(await temporaryDatabase(), pool, 'northquay');
    await expect(service.build('0', 'stop', sampleStatement())).rejects.toThrow(
      /subject of a statement/,
    );
  });
});
