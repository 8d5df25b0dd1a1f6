import { mkdirSync, readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';

/** How commands on the same machine reach the gateway that owns a data folder. */
export interface Control {
  readonly url: string;
  /** Secret of this run; readable by the owner of the folder only. */
  readonly token: string;
  /** SHA-256 of the certificate it answers with over TLS, as hex pairs; null over plain HTTP. */
  readonly certificate: string | null;
}

const NAME = 'control.json';

export function writeControl(dataDirectory: string, control: Control): void {
  const path = join(dataDirectory, NAME);
  mkdirSync(dataDirectory, { recursive: true, mode: 0o700 });
  writeFileSync(`${path}.tmp`, JSON.stringify(control), { mode: 0o600 });
  renameSync(`${path}.tmp`, path);
}

export function removeControl(dataDirectory: string): void {
  rmSync(join(dataDirectory, NAME), { force: true });
}

/** null when no gateway wrote one, or what stands there is no control file. */
export function readControl(dataDirectory: string): Control | null {
  try {
    const read: unknown = JSON.parse(readFileSync(join(dataDirectory, NAME), 'utf8'));
    if (typeof read !== 'object' || read === null || !('url' in read) || !('token' in read))
      return null;
    if (typeof read.url !== 'string' || typeof read.token !== 'string') return null;
    const pinned = 'certificate' in read && typeof read.certificate === 'string';
    return {
      url: read.url,
      token: read.token,
      certificate: pinned ? String(read.certificate) : null,
    };
  } catch {
    // Missing or half a file from a crash: either way there is no running gateway to reach.
    return null;
  }
}
