import { chmodSync, mkdirSync, symlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { createTrailKey, readTrailKey } from '../../src/audit/trail-key.files.js';
import { readSettings } from '../../src/config.js';
import { temporaryDirectory } from '../support/temp-database.js';

function places() {
  const directory = temporaryDirectory();
  const data = join(directory, 'data');
  mkdirSync(data);
  return { directory, data, file: join(directory, 'trail.key') };
}

describe('the key of the trail', () => {
  it('is read from a file that only its owner can read', () => {
    const { data, file } = places();
    const { key } = createTrailKey(file, data);
    expect(readTrailKey(file, data).id).toBe(key.id);
    chmodSync(file, 0o640);
    expect(() => readTrailKey(file, data)).toThrow(/others may read or change it \(mode 640\)/);
  });

  it('is refused in the data folder, also by a link that hides it', () => {
    const { directory, data, file } = places();
    createTrailKey(file, data);
    const inside = join(data, 'trail.key');
    expect(() => createTrailKey(inside, data)).toThrow(/data folder/);
    writeFileSync(inside, 'x', { mode: 0o600 });
    symlinkSync(data, join(directory, 'link'));
    expect(() => readTrailKey(inside, data)).toThrow(/data folder/);
    expect(() => readTrailKey(join(directory, 'link', 'trail.key'), data)).toThrow(/data folder/);
  });

  it('is refused when it is missing or no key, and nothing of the file is shown', () => {
    const { data, file } = places();
    expect(() => readTrailKey(file, data)).toThrow(/ENOENT/);
    writeFileSync(file, 'planted-secret', { mode: 0o600 });
    expect(() => readTrailKey(file, data)).toThrow(/expected an Ed25519 private key/);
    expect(() => readTrailKey(file, data)).not.toThrow(/planted-secret/);
  });

  it('and how often checkpoints are made are settings with bounds', () => {
    const { trail } = readSettings({
      DRUMLINE_CHECKPOINT_MINUTES: '7',
      DRUMLINE_TRAIL_KEY_BEFORE: 'lost',
    });
    expect(trail).toEqual({
      keyFile: null,
      keyBeforeFile: 'lost',
      checkpointFolder: null,
      checkpointEveryMs: 420_000,
      checkpointEveryEntries: 1_000,
    });
    expect(() => readSettings({ DRUMLINE_CHECKPOINT_ENTRIES: '0' })).toThrow(/from 1 to/);
  });
});
