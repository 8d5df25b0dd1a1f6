import { mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { describeFileFault, unreadableFile } from '../../src/cli/file-fault.js';

function thrownBy(work: () => unknown): unknown {
  try {
    work();
  } catch (error) {
    return error;
  }
  throw new Error('nothing was thrown');
}

describe('an error of a file', () => {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-'));

  it('names the path and says in words what is wrong', () => {
    const missing = join(directory, 'missing.json');
    expect(describeFileFault(thrownBy(() => readFileSync(missing)))).toBe(
      `${missing}: there is no such file or folder (ENOENT)`,
    );
    expect(describeFileFault(thrownBy(() => writeFileSync(directory, '')))).toBe(
      `${directory}: a file is expected here, this is a folder (EISDIR)`,
    );
  });

  it('of the database says that the data folder is not to be had', () => {
    const file = join(directory, 'none', 'drumline.db');
    const text = join(directory, 'text.db');
    writeFileSync(
      text,
      'no database at all, but long enough to be read as a header of one'.repeat(20),
    );
    const notThere = { code: 'SQLITE_CANTOPEN' };
    expect(describeFileFault(Object.assign(new Error('unable to open'), notThere))).toContain(
      'this user may not write it',
    );
    const notOne = thrownBy(() => new Database(text).pragma('journal_mode = WAL'));
    expect(describeFileFault(notOne)).toContain('no database of Drumline');
    // The binding refuses a folder that is missing with an error of its own, which stays a surprise.
    expect(describeFileFault(thrownBy(() => new Database(file)))).toBeNull();
  });

  it('leaves every other error the surprise that it is', () => {
    expect(describeFileFault(new Error('x'))).toBeNull();
    expect(describeFileFault(Object.assign(new Error('x'), { code: 'ECONNRESET' }))).toBeNull();
    expect(describeFileFault('x')).toBeNull();
  });
});

describe('a file that cannot be read', () => {
  it('is named as on the command line, also where the error names none', () => {
    const error = thrownBy(() => readFileSync(mkdtempSync(join(tmpdir(), 'drumline-'))));
    expect(unreadableFile('my-site', error)).toBe(
      'my-site: a file is expected here, this is a folder (EISDIR)',
    );
    expect(unreadableFile('a.csv', new Error('odd'))).toBe('a.csv: odd');
  });
});
