import { describe, expect, it } from 'vitest';
import { Misconfigured } from '../../src/errors.js';
import type { Instant } from '../../src/formats/instant.js';
import { importMethods } from '../../src/methods/import-methods.store.js';
import {
  registryEntries,
  siteInForce,
  stateOfRegistry,
} from '../../src/methods/method-registry.store.js';
import { type LoadedSiteFolder, loadSiteFolder } from '../../src/site/site-folder.files.js';
import type { Method } from '../../src/site/site-folder.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { time } from '../statements/conforming-facts.js';
import { type FileEdits, northquayWith } from '../support/site-folder-copy.js';
import { temporaryDatabase } from '../support/temp-database.js';

async function folder(edits: FileEdits = {}): Promise<LoadedSiteFolder> {
  const loaded = await loadSiteFolder(northquayWith(edits), {});
  if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
  return loaded;
}

function replaced(from: string, to: string): FileEdits {
  return { 'site.yaml': (text) => text.replace(from, to) };
}

const REFERENCE = 'reference: references/NQ-1001.csv';
const RETIRED = replaced(REFERENCE, `${REFERENCE}\n    retiredAt: "2026-03-04T12:00:00Z"`);
/** Version 2 takes the place of version 1, which leaves the folder. */
const ONLY_2: FileEdits = {
  ...replaced('id: ID-NQ-1001\n    version: "1"', 'id: ID-NQ-1001\n    version: "2"'),
  'signal-limits.yaml': (text) =>
    text.replace('method: ID-NQ-1001\n    version: "1"', 'method: ID-NQ-1001\n    version: "2"'),
};

const start = (database: OpenDatabase, loaded: LoadedSiteFolder, now: Instant) =>
  database.transact((trx) => importMethods(trx, loaded, now));

async function judged(database: OpenDatabase, loaded: LoadedSiteFolder, version = '1') {
  const { site } = await siteInForce(database.db, loaded.site);
  return site.methods.find((m) => m.id === 'ID-NQ-1001' && m.version === version);
}

const actions = async (database: OpenDatabase) =>
  (
    await database.db
      .selectFrom('audit_entry')
      .select(['action', 'subject_id'])
      .where('subject_kind', '=', 'method')
      .where('subject_id', 'like', 'ID-NQ-1001%')
      .orderBy('at')
      .orderBy('id')
      .execute()
  ).map((e) => `${e.action} ${e.subject_id}`);

describe('the registry', () => {
  it('gives back every method of a folder as the folder has it, reference and all', async () => {
    const database = await temporaryDatabase();
    const loaded = await folder();
    expect((await siteInForce(database.db, loaded.site)).site).toBe(loaded.site);
    await start(database, loaded, time('09:00'));
    const { site } = await siteInForce(database.db, loaded.site);
    expect(site.methods).toEqual(loaded.site.methods);
    const again = await siteInForce(database.db, (await folder()).site);
    expect(again.site.methods.map((m) => m.reference?.intensity)).toEqual(
      loaded.site.methods.map((m) => m.reference?.intensity),
    );
  });

  it('reads references from what it stored, also when no folder has them', async () => {
    const database = await temporaryDatabase();
    const loaded = await folder();
    await start(database, loaded, time('09:00'));
    const entries = await registryEntries(database.db, 'northquay');
    const curves = entries.map(({ method }) => method?.reference);
    expect(curves).toEqual(loaded.site.methods.map((m) => m.reference));
  });

  it('changes its state when it changes and not at a start that changes nothing', async () => {
    const database = await temporaryDatabase();
    await start(database, await folder(), time('09:00'));
    const state = await stateOfRegistry(database.db, 'northquay');
    await start(database, await folder(), time('10:00'));
    expect(await stateOfRegistry(database.db, 'northquay')).toBe(state);
    await start(database, await folder(RETIRED), time('11:00'));
    expect(await stateOfRegistry(database.db, 'northquay')).not.toBe(state);
    expect(await actions(database)).toEqual([
      'method.registered ID-NQ-1001:1',
      'method.listed ID-NQ-1001:1',
    ]);
  });

  it('refuses another content under a registered version, and names what differs', async () => {
    const database = await temporaryDatabase();
    await start(database, await folder(), time('09:00'));
    const changed = await folder(replaced('scoreTolerance: "0.02"', 'scoreTolerance: "0.03"'));
    const refusal = await start(database, changed, time('10:00')).catch((e: unknown) => e);
    expect(refusal).toBeInstanceOf(Misconfigured);
    expect(refusal).toMatchObject({ code: 'method-version-changed' });
    expect(String((refusal as Error).message)).toContain(
      '/methods/0: ID-NQ-1001 version 1 differs in /scoreTolerance',
    );
    expect((await judged(database, await folder()))?.scoreTolerance).toBe('0.02');
  });

  it('refuses another curve in the file of a reference', async () => {
    const database = await temporaryDatabase();
    await start(database, await folder(), time('09:00'));
    const changed = await folder({
      'references/NQ-1001.csv': (text) => `# measured again\n${text}`,
    });
    await expect(start(database, changed, time('10:00'))).rejects.toThrow('/referenceSha256');
  });

  it('keeps a version that left the folder, out of force from then on, and its decisions', async () => {
    const database = await temporaryDatabase();
    await start(database, await folder(), time('09:00'));
    const next = await folder(ONLY_2);
    await start(database, next, time('10:00'));
    const first = await judged(database, next);
    expect(first?.force?.absent).toEqual([{ from: time('10:00'), to: null }]);
    expect(first?.approvals).toEqual([{ material: 'NQ-1001', decision: 'D-003' }]);
    expect((await judged(database, next, '2'))?.force).toBeUndefined();
    await start(database, await folder(), time('11:00'));
    const back = await judged(database, await folder());
    expect(back?.force?.absent).toEqual([{ from: time('10:00'), to: time('11:00') }]);
    expect(await actions(database)).toEqual([
      'method.registered ID-NQ-1001:1',
      'method.registered ID-NQ-1001:2',
      'method.left ID-NQ-1001:1',
      'method.listed ID-NQ-1001:1',
      'method.left ID-NQ-1001:2',
    ]);
  });

  it('forgets no retirement that a later folder leaves out', async () => {
    const database = await temporaryDatabase();
    await start(database, await folder(RETIRED), time('09:00'));
    const plain = await folder();
    await start(database, plain, time('10:00'));
    expect((await judged(database, plain))?.force?.retiredAt).toBe(time('12:00'));
  });

  it('lets nobody change or delete a row of a version, its events or its reference', async () => {
    const database = await temporaryDatabase();
    await start(database, await folder(), time('09:00'));
    for (const table of ['method_version', 'method_event', 'method_reference'] as const) {
      const gone = database.transact((trx) => trx.deleteFrom(table).execute());
      await expect(gone, table).rejects.toThrow('kept as written');
    }
    const altered = database.transact((trx) =>
      trx.updateTable('method_version').set({ content: '{}' }).execute(),
    );
    await expect(altered).rejects.toThrow('kept as written');
  });

  it('lets a version be judged by nothing that was rolled back', async () => {
    const database = await temporaryDatabase();
    const loaded = await folder();
    await start(database, loaded, time('09:00'));
    const retired = await folder(RETIRED);
    await database
      .transact(async (trx) => {
        await importMethods(trx, retired, time('10:00'));
        const inside = await siteInForce(trx, loaded.site);
        const first = inside.site.methods.find((m: Method) => m.id === 'ID-NQ-1001');
        expect(first?.force?.retiredAt).toBe(time('12:00'));
        throw new Error('rolled back');
      })
      .catch((error: unknown) => {
        if (!(error instanceof Error) || error.message !== 'rolled back') throw error;
      });
    expect((await judged(database, loaded))?.force).toBeUndefined();
  });
});
