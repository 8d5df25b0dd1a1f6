import {
  closeSync,
  existsSync,
  mkdirSync,
  openSync,
  readdirSync,
  readFileSync,
  renameSync,
  symlinkSync,
  utimesSync,
  writeFileSync,
  writeSync,
} from 'node:fs';
import { join } from 'node:path';
import { pino } from 'pino';
import { describe, expect, it, vi } from 'vitest';
import { sha256 } from '../../src/formats/canonical-json.js';
import { IntakeService } from '../../src/intake/intake.service.js';
import {
  listWaitingFiles,
  lookAgain,
  prepareWatchedFolder,
  shelve,
} from '../../src/intake/watched-folder.files.js';
import { WatchedFolder } from '../../src/intake/watched-folder.service.js';
import { anchoredClock } from '../../src/storage/clock.js';
import { temporaryDatabase, temporaryDirectory } from '../support/temp-database.js';
import { zipOf } from '../support/zip-bytes.js';

const GOOD =
  '{"format":"drumline-result-bundle","version":"1.0","bundleId":"b-1","site":"northquay"}';

/** @param unreadableStillForMs 0: what cannot be read is refused as soon as it stands still */
async function watching(bytesMax = 1_000_000, unreadableStillForMs = 0) {
  const database = await temporaryDatabase();
  const directory = temporaryDirectory();
  const said: string[] = [];
  const intake = new IntakeService(
    database,
    anchoredClock(),
    { site: 'northquay', zone: 'Europe/London', jsonLimits: { bytesMax, depthMax: 32 } },
    { onTaken: () => undefined, onRefused: () => Promise.resolve() },
  );
  const folder = new WatchedFolder(
    { directory, site: 'northquay', bytesMax, unreadableStillForMs },
    intake,
    database.db,
    pino({}, { write: (line: string) => void said.push(line) }),
  );
  await folder.start();
  return { database, directory, folder, said };
}

const soon = { timeout: 5_000, interval: 20 };

describe('the watched folder', () => {
  it('leaves a file in place until its bundle is settled, then shelves it with its findings', async () => {
    const { database, directory, folder } = await watching();
    writeFileSync(join(directory, 'a.json'), GOOD);
    await vi.waitFor(async () => {
      expect(await database.db.selectFrom('bundle').select('state').execute()).toEqual([
        { state: 'received' },
      ]);
    }, soon);
    expect(existsSync(join(directory, 'a.json'))).toBe(true);
    await database.db.updateTable('bundle').set({ state: 'held' }).execute();
    await vi.waitFor(() => expect(existsSync(join(directory, 'held', 'a.json'))).toBe(true), soon);
    await vi.waitFor(() => expect(existsSync(join(directory, 'a.json'))).toBe(false), soon);
    const findings: unknown = JSON.parse(
      readFileSync(join(directory, 'held', 'a.json.findings.json'), 'utf8'),
    );
    expect(findings).toMatchObject({ file: 'a.json', state: 'held', bundleId: 'b-1' });
    await folder.stop();
  });

  it('shelves unreadable and oversized files as refused, bytes unchanged', async () => {
    const { directory, folder } = await watching(200);
    writeFileSync(join(directory, 'bad.json'), 'nonsense');
    writeFileSync(join(directory, 'big.json'), 'x'.repeat(300));
    await vi.waitFor(() => {
      expect(readFileSync(join(directory, 'refused', 'bad.json'), 'utf8')).toBe('nonsense');
      expect(readFileSync(join(directory, 'refused', 'big.json'), 'utf8')).toHaveLength(300);
    }, soon);
    await folder.stop();
    expect(readFileSync(join(directory, 'refused', 'big.json.findings.json'), 'utf8')).toContain(
      'file-too-large',
    );
  });

  it('takes archives by what they hold, whatever they are called', async () => {
    const { database, directory, folder } = await watching();
    writeFileSync(join(directory, 'a.bin'), zipOf([{ name: 'bundle.json', data: GOOD }]));
    writeFileSync(join(directory, 'b.zip'), zipOf([{ name: 'other.json', data: GOOD }]));
    const refused = join(directory, 'refused', 'b.zip.findings.json');
    await vi.waitFor(async () => {
      const rows = await database.db.selectFrom('bundle').select(['file_name', 'state']).execute();
      expect(rows.map((row) => `${row.file_name} ${row.state}`).sort()).toEqual([
        'a.bin received',
        'b.zip refused',
      ]);
      expect(readFileSync(refused, 'utf8')).toContain('zip-content');
    }, soon);
    await folder.stop();
  });

  it('does not touch links, folders or names still being written', async () => {
    const { database, directory, folder } = await watching();
    const outside = temporaryDirectory();
    writeFileSync(join(outside, 'target.json'), GOOD);
    symlinkSync(join(outside, 'target.json'), join(directory, 'link.json'));
    writeFileSync(join(directory, 'x.json.part'), GOOD);
    writeFileSync(join(directory, '.hidden.json'), GOOD);
    writeFileSync(join(directory, 'marker.json'), 'nonsense');
    await vi.waitFor(
      () => expect(existsSync(join(directory, 'refused', 'marker.json'))).toBe(true),
      soon,
    );
    await folder.stop();
    expect(await database.db.selectFrom('bundle').select('file_name').execute()).toEqual([
      { file_name: 'marker.json' },
    ]);
  });

  it('finds a file behind more folders and links than files are looked at in a round', async () => {
    const directory = temporaryDirectory();
    for (const name of ['2026-01', '2026-02', '2026-03']) mkdirSync(join(directory, name));
    symlinkSync(join(directory, '2026-01'), join(directory, 'archive'));
    writeFileSync(join(directory, 'b.json'), GOOD);
    expect((await listWaitingFiles(directory, 2)).map(({ name }) => name)).toEqual(['b.json']);
  });

  it('never overwrites a shelved file of the same name', async () => {
    const directory = temporaryDirectory();
    const { folder } = await (async () => {
      const database = await temporaryDatabase();
      const intake = new IntakeService(
        database,
        anchoredClock(),
        { site: 's', zone: 'UTC', jsonLimits: { bytesMax: 10, depthMax: 4 } },
        { onTaken: () => undefined, onRefused: () => Promise.resolve() },
      );
      const made = new WatchedFolder(
        { directory, site: 's', bytesMax: 10 },
        intake,
        database.db,
        pino({ level: 'silent' }),
      );
      await made.start();
      return { folder: made };
    })();
    await folder.stop();
    writeFileSync(join(directory, 'a.json'), 'one');
    await shelve(directory, await waiting(directory), 'taken', {});
    writeFileSync(join(directory, 'a.json'), 'two');
    expect(await shelve(directory, await waiting(directory), 'taken', {})).toMatchObject({
      name: 'a.json~1',
    });
    expect(readFileSync(join(directory, 'taken', 'a.json'), 'utf8')).toBe('one');
    expect(readFileSync(join(directory, 'taken', 'a.json~1'), 'utf8')).toBe('two');
    expect(readdirSync(directory).sort()).toEqual(['.moving', 'held', 'refused', 'taken']);
  });

  it('takes what stands behind a file with a name too long to put findings beside it', async () => {
    const { directory, folder } = await watching();
    const long = `${'a'.repeat(245)}.json`;
    writeFileSync(join(directory, long), 'nonsense');
    writeFileSync(join(directory, 'b.json'), 'nonsense');
    const refused = () => readdirSync(join(directory, 'refused'));
    await vi.waitFor(() => expect(refused()).toHaveLength(4), soon);
    await folder.stop();
    expect(refused()).toContain('b.json.findings.json');
    const beside = refused().find((name) => /^a+~[0-9a-f]{16}\.findings\.json$/.test(name)) ?? '';
    const findings: unknown = JSON.parse(readFileSync(join(directory, 'refused', beside), 'utf8'));
    expect(findings).toMatchObject({ file: long, state: 'refused' });
  });

  it('leaves a file alone that was put in the place of the one it took', async () => {
    const { directory, folder } = await watching();
    await folder.stop();
    writeFileSync(join(directory, 'a.json'), 'one');
    const taken = await waiting(directory);
    writeFileSync(join(directory, 'a.json.part'), 'new');
    renameSync(join(directory, 'a.json.part'), join(directory, 'a.json'));
    expect(await shelve(directory, taken, 'taken', {})).toBeNull();
    expect(readFileSync(join(directory, 'a.json'), 'utf8')).toBe('new');
    expect(readdirSync(join(directory, 'taken'))).toEqual([]);
  });

  it('never shelves another one that is put under the name while the findings are written', async () => {
    const { directory, at, file } = await shelving('one');
    writeFileSync(at('.next'), 'two');
    const findings = { toJSON: () => renameSync(at('.next'), at('a.json')) };
    expect(await shelve(directory, file, 'taken', findings)).toMatchObject({ name: 'a.json' });
    expect(readFileSync(at('taken', 'a.json'), 'utf8')).toBe('one');
    expect(readFileSync(at('a.json'), 'utf8')).toBe('two');
  });

  it.each([
    ['longer', ', and more'],
    ['other bytes of the same length at the same time', 'two'],
  ])('gives back what was written into while it was shelved: %s', async (_, text) => {
    const { directory, at, file } = await shelving('one');
    const writer = openSync(at('a.json'), 'r+');
    const findings = {
      toJSON: () => {
        writeSync(writer, text, 0);
        const { modifiedMs } = file.file;
        if (text.length === 3) {
          utimesSync(at('.moving', 'a.json'), modifiedMs / 1000, modifiedMs / 1000);
        }
      },
    };
    expect(await shelve(directory, file, 'taken', findings)).toBeNull();
    closeSync(writer);
    expect(readFileSync(at('a.json'), 'utf8')).toBe(text);
    expect(readdirSync(at('taken'))).toEqual(['a.json.before-change.findings.json']);
  });

  it('gives back what its writer goes on writing on the shelf, beside another one of its name', async () => {
    const { directory, at, file } = await shelving('one');
    const writer = openSync(at('a.json'), 'a');
    const shelved = await shelve(directory, file, 'refused', { state: 'refused' });
    if (shelved === null) throw new Error('it was not shelved');
    expect(await lookAgain(directory, shelved)).toMatchObject({ isSure: true });
    writeSync(writer, ', two');
    closeSync(writer);
    writeFileSync(at('a.json'), 'another one');
    expect(await lookAgain(directory, shelved)).toBe('given-back');
    expect(await lookAgain(directory, shelved)).toBe('gone');
    const waitingNow = (await listWaitingFiles(directory, 10)).map(({ name }) =>
      readFileSync(at(name), 'utf8'),
    );
    expect(waitingNow.sort()).toEqual(['another one', 'one, two']);
    expect(readdirSync(at('refused'))).toEqual(['a.json.before-change.findings.json']);
  });

  it('takes again what a process that died had on its way to a shelf', async () => {
    const { directory, at } = await shelving('one');
    renameSync(at('a.json'), at('.moving', 'a.json'));
    await prepareWatchedFolder(directory);
    expect(readFileSync(at('a.json'), 'utf8')).toBe('one');
  });

  it('waits for the rest of a file that cannot be read as it stands, and refuses nothing', async () => {
    const { database, directory, folder, said } = await watching(1_000_000, 86_400_000);
    const writer = openSync(join(directory, 'slow.json'), 'w');
    writeSync(writer, GOOD.slice(0, 40));
    await vi.waitFor(
      () => expect(said.filter((line) => line.includes('not-readable-yet'))).toHaveLength(1),
      soon,
    );
    writeSync(writer, GOOD.slice(40));
    closeSync(writer);
    await vi.waitFor(async () => {
      expect(
        await database.db.selectFrom('bundle').select(['file_name', 'state']).execute(),
      ).toEqual([{ file_name: 'slow.json', state: 'received' }]);
    }, soon);
    await database.db.updateTable('bundle').set({ state: 'accepted' }).execute();
    const taken = join(directory, 'taken', 'slow.json');
    await vi.waitFor(() => expect(readFileSync(taken, 'utf8')).toBe(GOOD), soon);
    await folder.stop();
    expect(readdirSync(join(directory, 'refused'))).toEqual([]);
  });

  it('lets files that it waits for keep no place from others', async () => {
    const directory = temporaryDirectory();
    for (const name of ['a.json', 'b.json', 'c.json']) writeFileSync(join(directory, name), 'x');
    const files = await listWaitingFiles(directory, 1, (name) => name < 'c');
    expect(files.map(({ name }) => name)).toEqual(['a.json', 'b.json', 'c.json']);
  });

  it('does not take findings put back with their file, nor what a file browser leaves, for bundles', async () => {
    const { directory, folder } = await watching();
    await folder.stop();
    for (const name of ['a.json.findings.json', 'Thumbs.db', 'desktop.ini', 'a.json']) {
      writeFileSync(join(directory, name), 'x');
    }
    expect((await listWaitingFiles(directory, 10)).map((file) => file.name)).toEqual(['a.json']);
  });
});

async function waiting(directory: string) {
  const [file] = await listWaitingFiles(directory, 1);
  if (!file) throw new Error('no file is waiting');
  return { file, sha256: sha256(readFileSync(join(directory, file.name))) };
}

/** A folder in which `a.json` waits. */
async function shelving(content: string) {
  const directory = temporaryDirectory();
  await prepareWatchedFolder(directory);
  const at = (...parts: string[]) => join(directory, ...parts);
  writeFileSync(at('a.json'), content);
  return { directory, at, file: await waiting(directory) };
}
