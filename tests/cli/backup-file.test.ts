import { createHash } from 'node:crypto';
import { closeSync, openSync, readFileSync, statSync, writeFileSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { writeBackup } from '../../src/cli/backup.files.js';
import { manifestOf, refuseChanged, writeBackupFile } from '../../src/cli/backup-file.files.js';
import type { BackupManifest } from '../../src/cli/backup-manifest.js';
import type { Instant } from '../../src/formats/instant.js';
import { openDatabase } from '../../src/storage/database.js';
import { temporaryDirectory } from '../support/temp-database.js';

/** A data folder with the least that a backup is made of. */
async function dataFolder(): Promise<string> {
  const data = temporaryDirectory();
  const { db, close } = await openDatabase(data);
  const none = { place: null, recovering: null, recovering_since: null, facts_until: null };
  const instance = { id: 'an-instance', epoch: 1, created_at: 1 as Instant, tick: 1, ...none };
  await db.insertInto('instance').values(instance).execute();
  await close();
  return data;
}

describe('a backup of a data folder', () => {
  it('is for its owner alone, as the folder is', async () => {
    const out = join(temporaryDirectory(), 'backup.db');
    await writeBackup(await dataFolder(), out);
    expect(statSync(out).mode & 0o077).toBe(0);
  });

  it('is what its manifest says, also when another is written to the same name meanwhile', async () => {
    const out = join(temporaryDirectory(), 'backup.db');
    const facts = {
      migrations: ['0001'],
      instance: { id: 'an-instance', epoch: 1 },
      site: null,
      trail: { entries: 0, lastSequence: null },
    };
    const made = { facts, madeAt: '2026-11-25T00:00:00Z', postgresql: null };
    let end: () => void = () => undefined;
    const firstEnded = new Promise<void>((resolve) => {
      end = resolve;
    });
    const second = async (part: string) => {
      writeFileSync(part, 'half of it');
      const file = openSync(part, 'a');
      await firstEnded;
      writeSync(file, ' and the rest');
      closeSync(file);
      return made;
    };
    let secondMade: Promise<BackupManifest> | null = null;
    const first = writeBackupFile(out, (part) => {
      writeFileSync(part, 'all of it');
      secondMade = writeBackupFile(out, second);
      return Promise.resolve(made);
    });
    first.then(end, end);
    await expect(first).rejects.toThrow('another backup is being written to');
    const { sha256 } = await (secondMade ?? first);
    const text = readFileSync(out, 'utf8');
    expect(text).toBe('half of it and the rest');
    expect(createHash('sha256').update(text).digest('hex')).toBe(sha256);
    await refuseChanged(out, manifestOf(out));
  });
});
