import { existsSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { checkpointText } from '../../src/audit/checkpoint.js';
import {
  checkpointFileName,
  latestLifeOutside,
  writeCheckpointFile,
} from '../../src/audit/checkpoint-folder.files.js';
import { temporaryDirectory } from '../support/temp-database.js';
import { addCheckpoint, sealedTrail } from './trail-world.js';

/**
 * What a full disk, a file system without hard links and a medium that lets nobody delete do to a write. Which of them a
 * machine of a test can show depends on its user and disk, so they are put in front of the real file system.
 */
const failing = vi.hoisted((): { what: string | null; code: string } => ({ what: null, code: '' }));
vi.mock('node:fs', async (original) => {
  const real = await original<typeof import('node:fs')>();
  const failed = (what: string) => {
    if (failing.what === what) throw Object.assign(new Error('no'), { code: failing.code });
  };
  return {
    ...real,
    writeFileSync: (file: number, text: string) => {
      if (failing.what === 'write') real.writeFileSync(file, text.slice(0, 20));
      failed('write');
      real.writeFileSync(file, text);
    },
    linkSync: (from: string, to: string) => {
      failed('link');
      real.linkSync(from, to);
    },
    rmSync: (path: string, options: object) => {
      failed('remove');
      real.rmSync(path, options);
    },
  };
});

const trail = sealedTrail('northquay', { entries: 3, every: 5 });
const signed = addCheckpoint(trail, []);
const name = checkpointFileName(signed);
let folder: string;

beforeEach(() => {
  folder = temporaryDirectory();
});

afterEach(() => {
  failing.what = null;
});

const written = () => readFileSync(join(folder, name), 'utf8');

describe('the file of a checkpoint', () => {
  it('has its name only when it is whole: a write that breaks off leaves nothing there', () => {
    Object.assign(failing, { what: 'write', code: 'ENOSPC' });
    expect(() => writeCheckpointFile(folder, signed)).toThrow();
    expect(existsSync(join(folder, name))).toBe(false);
    failing.what = null;
    expect(writeCheckpointFile(folder, signed)).toBe('written');
    expect(written()).toBe(checkpointText(signed));
    expect(readdirSync(folder)).toEqual([name]);
    expect(writeCheckpointFile(folder, signed)).toBe('there');
  });

  it('is written where no second name can be given, and never over one that is there', () => {
    Object.assign(failing, { what: 'link', code: 'EPERM' });
    expect(writeCheckpointFile(folder, signed)).toBe('written');
    expect(written()).toBe(checkpointText(signed));
    const { checkpoint } = signed;
    const another = { checkpoint: { ...checkpoint, root: '0'.repeat(64) }, signatures: [] };
    expect(writeCheckpointFile(folder, another)).toBe('differs');
    expect(written()).toBe(checkpointText(signed));
  });

  it('is written where nothing can be removed', () => {
    Object.assign(failing, { what: 'remove', code: 'EACCES' });
    expect(writeCheckpointFile(folder, signed)).toBe('written');
    expect(written()).toBe(checkpointText(signed));
  });
});

describe('a folder of checkpoints', () => {
  it('remembers the latest life of a site, and takes no made-up number for one', () => {
    expect(latestLifeOutside(null, 'northquay')).toBe(0);
    expect(latestLifeOutside(join(folder, 'none'), 'northquay')).toBe(0);
    expect(latestLifeOutside(folder, 'northquay')).toBe(0);
    for (const [site, epoch] of [
      ['northquay', 2],
      ['northquay', 11],
      ['northquay.5', 30],
      ['southquay', 40],
      ['northquay', Number.MAX_SAFE_INTEGER],
    ] as const) {
      const { checkpoint } = signed;
      writeCheckpointFile(folder, { checkpoint: { ...checkpoint, site, epoch }, signatures: [] });
    }
    writeFileSync(join(folder, 'northquay.50.txt'), '');
    expect(latestLifeOutside(folder, 'northquay')).toBe(11);
  });
});
