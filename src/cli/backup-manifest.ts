import type { CopyFacts } from '../storage/copy-facts.js';

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
  readonly trail: CopyFacts['trail'];
  /** Versions of the server it was made of and of the program that made it; null for a file of SQLite. */
  readonly postgresql: { readonly server: string; readonly pgDump: string } | null;
}

export const MANIFEST_SUFFIX = '.manifest.json';

export function backupManifest(
  of: {
    readonly file: string;
    readonly bytes: number;
    readonly sha256: string;
    readonly madeAt: string;
    readonly postgresql: BackupManifest['postgresql'];
  },
  facts: CopyFacts,
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

/** Of a manifest what a restore checks. */
export type ManifestFacts = Pick<BackupManifest, 'sha256' | 'bytes' | 'madeAt' | 'postgresql'>;

/** Null when the text is no manifest. One without a word about PostgreSQL is of a file of SQLite. */
export function readManifest(text: string): ManifestFacts | null {
  try {
    const value: unknown = JSON.parse(text);
    if (typeof value !== 'object' || value === null) return null;
    const { format, version, sha256, bytes, madeAt, postgresql } = value as Record<string, unknown>;
    if (format !== 'drumline-backup' || version !== 1) return null;
    if (typeof sha256 !== 'string' || !/^[0-9a-f]{64}$/.test(sha256)) return null;
    if (typeof bytes !== 'number' || typeof madeAt !== 'string') return null;
    const common = { sha256, bytes, madeAt };
    if (postgresql === undefined || postgresql === null) return { ...common, postgresql: null };
    const { server, pgDump } = postgresql as Record<string, unknown>;
    if (typeof server !== 'string' || typeof pgDump !== 'string') return null;
    return { ...common, postgresql: { server, pgDump } };
  } catch {
    // Not JSON: the caller says which file it is.
    return null;
  }
}
