import {
  type BigIntStats,
  closeSync,
  constants,
  fstatSync,
  openSync,
  readSync,
  statSync,
} from 'node:fs';
import { Misconfigured } from '../errors.js';
import type { SecretReference } from '../site/site-folder.js';
import { type DestinationSecrets, type Mask, maskOf } from './secret-mask.js';

type EnvironmentVariables = Readonly<Record<string, string | undefined>>;

const BYTES_MAX = 65_536;
/** Read and write of group and others, and running it: none of it is anybody's but the owner's. */
const OTHERS = 0o077;
/** A shorter one can be guessed, and stands by chance in too many texts to be told from them. */
const CHARACTERS_MIN = 8;
/** Secrets of one place that are still masked after others took their place: answers to the old one may be under way. */
const KEPT_PER_PLACE = 4;

interface ReadFile {
  readonly version: string;
  readonly value: string;
}

/**
 * The secrets of this process. Each is resolved by reference at the moment of use and read again when its file
 * changed, so that a rotated secret needs no restart; every value that was in use is masked in what is stored and
 * logged from then on.
 */
export class Secrets implements DestinationSecrets {
  readonly #env: EnvironmentVariables;
  readonly #files = new Map<string, ReadFile>();
  readonly #used = new Map<string, readonly string[]>();
  #mask: Mask = maskOf([]);

  constructor(env: EnvironmentVariables) {
    this.#env = env;
  }

  /**
   * The bearer token under a reference, as it is now.
   *
   * @throws Misconfigured `secret-missing`, `secret-exposed` or `secret-unusable`, naming the reference, never the
   *   value.
   */
  bearer(reference: SecretReference): string {
    const value = this.#read(reference);
    if (value.length < CHARACTERS_MIN || !/^[\x21-\x7e]+$/.test(value)) {
      const found = `${reference} is no token of ${CHARACTERS_MIN} or more visible ASCII characters`;
      throw new Misconfigured('secret-unusable', { found });
    }
    this.learn(reference, value);
    return value;
  }

  /** A password of any form; one that is too short to be told from other words is not masked. */
  password(reference: SecretReference): string {
    const value = this.#read(reference);
    if (value.length >= CHARACTERS_MIN) this.learn(reference, value);
    return value;
  }

  /** It was refused: read its file again before the next use, whatever its dates say. */
  refused(reference: SecretReference): void {
    this.#files.delete(reference);
  }

  /** Masks a secret that came in elsewhere, such as the password in an address. */
  learn(place: string, value: string): void {
    const used = this.#used.get(place) ?? [];
    if (value === '' || used.at(-1) === value) return;
    this.#used.set(place, [...used.filter((one) => one !== value), value].slice(-KEPT_PER_PLACE));
    this.#mask = maskOf([...this.#used.values()].flat());
  }

  /** Takes every secret that is or was in use out of a text. */
  readonly mask: Mask = (text) => this.#mask(text);

  #read(reference: SecretReference): string {
    if (reference.startsWith('env:')) return readSecret(reference, this.#env);
    const path = reference.slice('file:'.length);
    const known = this.#files.get(reference);
    const version = known === undefined ? null : versionAt(path);
    if (known !== undefined && version === known.version) return known.value;
    const read = readFile(reference);
    this.#files.set(reference, read);
    return read.value;
  }
}

/**
 * Resolves a secret reference once.
 *
 * @throws Misconfigured `secret-missing` or `secret-exposed` naming the reference, never the value.
 */
export function readSecret(reference: SecretReference, env: EnvironmentVariables): string {
  if (reference.startsWith('file:')) return readFile(reference).value;
  const value = env[reference.slice('env:'.length)];
  if (value === undefined || value === '') {
    throw new Misconfigured('secret-missing', { found: reference });
  }
  return value;
}

function readFile(reference: SecretReference): ReadFile {
  try {
    // Rights and content are those of one and the same file, whatever is put in its place meanwhile.
    // A pipe would be waited for: it is opened at once and then refused.
    const file = openSync(
      reference.slice('file:'.length),
      constants.O_RDONLY | constants.O_NONBLOCK,
    );
    try {
      return readOpen(reference, file);
    } finally {
      closeSync(file);
    }
  } catch (cause) {
    if (cause instanceof Misconfigured) throw cause;
    throw new Misconfigured('secret-missing', { found: reference, cause });
  }
}

function readOpen(reference: SecretReference, file: number): ReadFile {
  const stats = fstatSync(file, { bigint: true });
  if (!stats.isFile()) {
    throw new Misconfigured('secret-missing', { found: `${reference}, which is no regular file` });
  }
  const mode = Number(stats.mode) & 0o777;
  // Windows has no such rights; what it shows as mode says nothing.
  if (process.platform !== 'win32' && (mode & OTHERS) !== 0) {
    const found = `${reference} has the rights 0${mode.toString(8)}`;
    throw new Misconfigured('secret-exposed', { found });
  }
  const bytes = Buffer.alloc(BYTES_MAX + 1);
  const length = readSync(file, bytes, 0, bytes.length, 0);
  if (length > BYTES_MAX) {
    const found = `${reference} is longer than ${BYTES_MAX} bytes`;
    throw new Misconfigured('secret-unusable', { found });
  }
  const value = bytes.toString('utf8', 0, length).trim();
  if (value === '') throw new Misconfigured('secret-missing', { found: reference });
  return { version: versionOf(stats), value };
}

function versionAt(path: string): string | null {
  const stats = statSync(path, { bigint: true, throwIfNoEntry: false });
  return stats === undefined ? null : versionOf(stats);
}

/** Differs whenever a file was written, replaced or given other rights. */
function versionOf({ dev, ino, size, mtimeNs, ctimeNs }: BigIntStats): string {
  return [dev, ino, size, mtimeNs, ctimeNs].join(' ');
}
