import { execFileSync } from 'node:child_process';
import { chmodSync, renameSync, rmSync, statSync, utimesSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { MASKED } from '../../src/access/secret-mask.js';
import { readSecret, Secrets } from '../../src/access/secrets.files.js';
import { Misconfigured } from '../../src/errors.js';
import type { SecretReference } from '../../src/site/site-folder.js';
import { temporaryDirectory } from '../support/temp-database.js';

const FIRST = 'first-token-of-the-lims';
const SECOND = 'other-token-of-the-lims';

function secretFile(text: string | Uint8Array, mode = 0o600) {
  const path = join(temporaryDirectory(), 'token');
  writeFileSync(path, text, { mode });
  chmodSync(path, mode);
  return { path, reference: `file:${path}` as const };
}

function refusal(read: () => unknown): Misconfigured {
  try {
    read();
  } catch (error) {
    if (error instanceof Misconfigured) return error;
    throw error;
  }
  throw new Error('it was not refused');
}

describe('a secret in a file', () => {
  it('is read without the line end behind it', () => {
    const { reference } = secretFile(`${FIRST}\r\n`);
    expect(new Secrets({}).bearer(reference)).toBe(FIRST);
  });

  it('is read again when the file was written anew, and when another was put in its place', () => {
    const { path, reference } = secretFile(FIRST);
    const secrets = new Secrets({});
    expect(secrets.bearer(reference)).toBe(FIRST);
    writeFileSync(path, SECOND);
    expect(secrets.bearer(reference)).toBe(SECOND);
    writeFileSync(`${path}.new`, FIRST, { mode: 0o600 });
    renameSync(`${path}.new`, path);
    expect(secrets.bearer(reference)).toBe(FIRST);
  });

  it('is read again after it was refused, even when nothing shows that the file changed', () => {
    const { path, reference } = secretFile(FIRST);
    const secrets = new Secrets({});
    secrets.bearer(reference);
    const { atime, mtime } = statSync(path);
    writeFileSync(path, SECOND);
    utimesSync(path, atime, mtime);
    secrets.refused(reference);
    expect(secrets.bearer(reference)).toBe(SECOND);
  });

  it('that is gone, empty or half replaced is missing, and found again when it is there', () => {
    const { path, reference } = secretFile(FIRST);
    const secrets = new Secrets({});
    secrets.bearer(reference);
    rmSync(path);
    expect(refusal(() => secrets.bearer(reference))).toMatchObject({
      code: 'secret-missing',
      found: reference,
    });
    writeFileSync(path, ' \n', { mode: 0o600 });
    expect(refusal(() => secrets.bearer(reference)).code).toBe('secret-missing');
    writeFileSync(path, SECOND);
    expect(secrets.bearer(reference)).toBe(SECOND);
  });

  it.each([0o644, 0o640, 0o604, 0o660, 0o602])(
    'with the rights %o is refused, with the remedy and without the secret',
    (mode) => {
      const { path, reference } = secretFile(FIRST, mode);
      const secrets = new Secrets({});
      for (const read of [() => secrets.bearer(reference), () => readSecret(reference, {})]) {
        const error = refusal(read);
        expect(error.code).toBe('secret-exposed');
        expect(error.found).toBe(`${reference} has the rights 0${mode.toString(8)}`);
        expect(error.message).toContain('chmod 600');
        expect(error.message).not.toContain(FIRST);
      }
      chmodSync(path, 0o400);
      expect(secrets.bearer(reference)).toBe(FIRST);
      // Opened up later: found at the next use.
      chmodSync(path, mode);
      expect(refusal(() => secrets.bearer(reference)).code).toBe('secret-exposed');
    },
  );

  it('that is a folder or a pipe is refused at once', () => {
    const folder = temporaryDirectory();
    const pipe = join(folder, 'pipe');
    execFileSync('mkfifo', ['-m', '600', pipe]);
    for (const path of [folder, pipe]) {
      const error = refusal(() => new Secrets({}).bearer(`file:${path}`));
      expect(error.code).toBe('secret-missing');
      expect(error.found).toContain('no regular file');
    }
  });

  it.each([
    ['of two lines', `${FIRST}\n${SECOND}`],
    ['with a blank', 'two words of a token'],
    ['that is too short to be one', 'seven77'],
    ['beyond ASCII', 'schlüssel-des-lims'],
    ['that is not text', Buffer.from([0xff, 0xfe, 0, 1, 2, 3, 4, 5, 6, 7])],
    ['longer than 64 KiB', 'x'.repeat(65_537)],
  ])('%s is refused without being shown', (_what, text) => {
    const { reference } = secretFile(text);
    const error = refusal(() => new Secrets({}).bearer(reference));
    expect(error.code).toBe('secret-unusable');
    expect(error.message).not.toContain(text.toString().slice(0, 7));
  });
});

describe('a secret in the environment', () => {
  it('is found by its name', () => {
    expect(new Secrets({ LIMS_TOKEN: FIRST }).bearer('env:LIMS_TOKEN')).toBe(FIRST);
  });

  it.each([undefined, ''])('that is %j is missing, by its name', (value) => {
    const error = refusal(() => new Secrets({ LIMS_TOKEN: value }).bearer('env:LIMS_TOKEN'));
    expect(error).toMatchObject({ code: 'secret-missing', found: 'env:LIMS_TOKEN' });
  });
});

describe('the mask of a process', () => {
  it('covers every secret from its first use on, and the one before it after a rotation', () => {
    const { path, reference } = secretFile(FIRST);
    const secrets = new Secrets({ ERP: 'token-of-the-erp' });
    const text = `${FIRST} ${SECOND} token-of-the-erp`;
    expect(secrets.mask(text)).toBe(text);
    secrets.bearer(reference);
    writeFileSync(path, SECOND);
    secrets.bearer(reference);
    secrets.bearer('env:ERP' satisfies SecretReference);
    expect(secrets.mask(text)).toBe(`${MASKED} ${MASKED} ${MASKED}`);
  });

  it('forgets what was replaced five times, so that it does not grow', () => {
    const secrets = new Secrets({});
    for (let n = 1; n <= 6; n += 1) secrets.learn('DATABASE_URL', `password-number-${n}`);
    expect(secrets.mask('password-number-1')).toBe('password-number-1');
    expect(secrets.mask('password-number-3')).toBe(MASKED);
  });
});
