import {
  closeSync,
  existsSync,
  openSync,
  readdirSync,
  readFileSync,
  renameSync,
  writeFileSync,
  writeSync,
} from 'node:fs';
import { join } from 'node:path';
import { beforeEach, describe, expect, it, vi } from 'vitest';
import { sha256 } from '../../src/formats/canonical-json.js';
import {
  listWaitingFiles,
  prepareWatchedFolder,
  shelve,
} from '../../src/intake/watched-folder.files.js';
import { temporaryDirectory } from '../support/temp-database.js';

/**
 * Where no second name can be given to a file: Linux refuses it for files of another user that may not be written
 * (fs.protected_hardlinks, EPERM, proc_sys_fs(5)), and network file systems may know no hard links at all (link(2)). Which
 * of both a machine of a test can show depends on its user, so the refusal is put in front of the real file system.
 */
const refusal = vi.hoisted(() => ({ code: 'EPERM' }));
vi.mock('node:fs/promises', async (original) => ({
  ...(await original<typeof import('node:fs/promises')>()),
  link: () =>
    Promise.reject(Object.assign(new Error('operation not permitted'), { code: refusal.code })),
}));

let directory: string;

beforeEach(async () => {
  directory = temporaryDirectory();
  await prepareWatchedFolder(directory);
});

async function waiting(name: string, content: string) {
  writeFileSync(join(directory, name), content);
  const [file] = await listWaitingFiles(directory, 10);
  if (file === undefined) throw new Error('no file waits');
  return { file, sha256: sha256(content) };
}

const at = (...parts: string[]) => join(directory, ...parts);

describe('the shelves of a watched folder without hard links', () => {
  it.each(['EPERM', 'EOPNOTSUPP', 'ENOSYS'])(
    'take a file with its findings all the same, by a move (%s)',
    async (code) => {
      refusal.code = code;
      const file = await waiting('a.json', 'first');
      expect(await shelve(directory, file, 'taken', { state: 'accepted' })).toMatchObject({
        name: 'a.json',
      });
      expect(existsSync(at('a.json'))).toBe(false);
      expect(readFileSync(at('taken', 'a.json'), 'utf8')).toBe('first');
      expect(readFileSync(at('taken', 'a.json.findings.json'), 'utf8')).toContain('accepted');
    },
  );

  it('never overwrite what lies there under the name', async () => {
    refusal.code = 'EPERM';
    for (const content of ['first', 'second', 'third']) {
      await shelve(directory, await waiting('a.json', content), 'held', {});
    }
    const shelved = ['a.json', 'a.json~1', 'a.json~2'];
    expect(shelved.map((name) => readFileSync(at('held', name), 'utf8'))).toEqual([
      'first',
      'second',
      'third',
    ]);
  });

  it('leave a file alone that was put in the place of the one that was taken', async () => {
    refusal.code = 'EPERM';
    const file = await waiting('a.json', 'first');
    writeFileSync(at('a.json'), 'another one');
    expect(await shelve(directory, file, 'taken', {})).toBeNull();
    expect(readFileSync(at('a.json'), 'utf8')).toBe('another one');
    expect(existsSync(at('taken', 'a.json'))).toBe(false);
  });

  it('never hold another one that is put under the name while the findings are written', async () => {
    refusal.code = 'EPERM';
    const file = await waiting('a.json', 'first');
    writeFileSync(at('.next'), 'another one');
    const findings = { toJSON: () => renameSync(at('.next'), at('a.json')) };
    expect(await shelve(directory, file, 'taken', findings)).toMatchObject({ name: 'a.json' });
    expect(readFileSync(at('taken', 'a.json'), 'utf8')).toBe('first');
    expect(readFileSync(at('a.json'), 'utf8')).toBe('another one');
  });

  it('give back under a free name what was written into meanwhile', async () => {
    refusal.code = 'EPERM';
    const file = await waiting('a.json', 'first');
    const writer = openSync(at('a.json'), 'a');
    const findings = { toJSON: () => writeSync(writer, ', and more') };
    expect(await shelve(directory, file, 'taken', findings)).toBeNull();
    closeSync(writer);
    const [back, ...others] = await listWaitingFiles(directory, 10);
    expect(others).toEqual([]);
    expect(readFileSync(at(back?.name ?? ''), 'utf8')).toBe('first, and more');
    expect(readdirSync(at('taken'))).toEqual(['a.json.before-change.findings.json']);
  });

  it('leave to the next start what could neither be shelved nor given back', async () => {
    refusal.code = 'EIO';
    const file = await waiting('a.json', 'first');
    const findings = {
      toJSON: () => {
        throw new Error('no room');
      },
    };
    await expect(shelve(directory, file, 'taken', findings)).rejects.toMatchObject({ code: 'EIO' });
    expect(await listWaitingFiles(directory, 10)).toEqual([]);
    refusal.code = 'EPERM';
    await prepareWatchedFolder(directory);
    const [back] = await listWaitingFiles(directory, 10);
    expect(readFileSync(at(back?.name ?? ''), 'utf8')).toBe('first');
    expect(readdirSync(at('taken'))).toEqual([]);
  });
});
