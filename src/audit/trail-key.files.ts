import {
  closeSync,
  fstatSync,
  fsyncSync,
  openSync,
  readFileSync,
  realpathSync,
  writeFileSync,
} from 'node:fs';
import { basename, dirname, join, sep } from 'node:path';
import { Misconfigured } from '../errors.js';
import { newTrailKey, type PublicTrailKey, parsePrivateKey, type TrailKey } from './signing-key.js';

const OTHERS = 0o077;

/**
 * Reads the private key that signs checkpoints.
 *
 * @throws Misconfigured `trail-key-unusable` when the file is missing, no Ed25519 key, readable by others, or in
 *   the data folder: who may copy the database could then sign what he made of it.
 */
export function readTrailKey(path: string, dataDirectory: string): TrailKey {
  const found = (why: string, cause?: unknown) =>
    new Misconfigured('trail-key-unusable', { found: `${path}: ${why}`, cause });
  let pem: string;
  try {
    if (isInside(path, dataDirectory)) throw found('it lies in the data folder');
    const file = openSync(path, 'r');
    try {
      const { mode } = fstatSync(file);
      if ((mode & OTHERS) !== 0) {
        throw found(`others may read or change it (mode ${(mode & 0o777).toString(8)})`);
      }
      pem = readFileSync(file, 'utf8');
    } finally {
      closeSync(file);
    }
  } catch (cause) {
    if (cause instanceof Misconfigured) throw cause;
    throw found(cause instanceof Error ? cause.message : String(cause), cause);
  }
  const key = parsePrivateKey(pem);
  if (key === null) throw found('expected an Ed25519 private key as PKCS #8 PEM');
  return key;
}

/**
 * Makes a key and writes its private half to a new file that only its owner may read. The public half goes to the
 * same name with `.pub` behind it, to be kept where the trail is verified.
 *
 * @throws Misconfigured `trail-key-unusable` when the place is in the data folder; whatever the file system says
 *   when a file is there already
 */
export function createTrailKey(
  path: string,
  dataDirectory: string,
): { readonly key: PublicTrailKey; readonly publicFile: string } {
  if (isInside(path, dataDirectory)) {
    throw new Misconfigured('trail-key-unusable', { found: `${path}: it lies in the data folder` });
  }
  const { pem, key } = newTrailKey();
  const publicFile = `${path}.pub`;
  writeNew(path, pem, 0o600);
  writeNew(publicFile, `${key.publicKey}\n`, 0o644);
  return { key: { id: key.id, publicKey: key.publicKey }, publicFile };
}

function writeNew(path: string, text: string, mode: number): void {
  const file = openSync(path, 'wx', mode);
  try {
    writeFileSync(file, text);
    fsyncSync(file);
  } finally {
    closeSync(file);
  }
}

/** By what the paths really are: a link would say something else. */
function isInside(path: string, directory: string): boolean {
  const real = realOrGiven(path);
  const folder = realOrGiven(directory);
  return real === folder || real.startsWith(`${folder}${sep}`);
}

function realOrGiven(path: string): string {
  try {
    return realpathSync(path);
  } catch {
    // A file that is still to be made, in a folder that may be there.
    const parent = dirname(path);
    return parent === path ? path : join(realOrGiven(parent), basename(path));
  }
}
