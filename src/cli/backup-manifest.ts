import type { FileFacts } from '../storage/sqlite-copy.js';

/** What stands beside a backup: what it is of, and by what it is recognised as whole. */
export interface BackupManifest {
  readonly format: 'drumline-backup';
  readonly version: 1;
  readonly madeAt: string;
  readonly file: string;
  readonly bytes: number;
  readonly sha256: string;
  readonly site: string | null;
  readonly instance: { readonly id: string; readonly epoch: number };
  /** Last migration of the tables. */
  readonly schema: string;
  readonly trail: FileFacts['trail'];
}

export const MANIFEST_SUFFIX = '.manifest.json';

export function backupManifest(
  of: {
    readonly file: string;
    readonly bytes: number;
    readonly sha256: string;
    readonly madeAt: string;
  },
  facts: FileFacts,
): BackupManifest {
  return {
    format: 'drumline-backup',
    version: 1,
    ...of,
    site: facts.site,
    instance: facts.instance,
    schema: facts.migrations.at(-1) ?? '',
    trail: facts.trail,
  };
}

/** Of a manifest what a restore checks; null when the text is none. */
export function readManifest(
  text: string,
): Pick<BackupManifest, 'sha256' | 'bytes' | 'madeAt'> | null {
  try {
    const value: unknown = JSON.parse(text);
    if (typeof value !== 'object' || value === null) return null;
    const { format, version, sha256, bytes, madeAt } = value as Record<string, unknown>;
    if (format !== 'drumline-backup' || version !== 1) return null;
    if (typeof sha256 !== 'string' || !/^[0-9a-f]{64}$/.test(sha256)) return null;
    if (typeof bytes !== 'number' || typeof madeAt !== 'string') return null;
    return { sha256, bytes, madeAt };
  } catch {
    // Not JSON: the caller says which file it is.
    return null;
  }
}
