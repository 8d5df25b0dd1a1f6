/**
 * Zip archives from outside (APPNOTE.TXT 6.3.10 for the layout), as far as a bundle needs them: entries that are
 * stored or deflated, of plain files, in one piece, without encryption and without zip64. What an archive may say
 * in two ways is refused, since two readers could then see two bundles in it.
 */
export const ZIP_RULES = ['structure', 'limit', 'name', 'kind', 'content'] as const;

export type ZipRule = (typeof ZIP_RULES)[number];

export interface ZipFault {
  readonly rule: ZipRule;
  /** Name of the entry, cut and escaped; null for the archive as a whole. */
  readonly entry: string | null;
  /** Found against expected. */
  readonly message: string;
}

export interface ZipLimits {
  readonly entriesMax: number;
  /** UTF-8 bytes. */
  readonly nameBytesMax: number;
  /** Inflated bytes of one entry. */
  readonly entryBytesMax: number;
  /** Inflated bytes of all entries together. */
  readonly totalBytesMax: number;
  /** Inflated bytes for one packed byte, past `ratioFreeBytes`. */
  readonly ratioMax: number;
  readonly ratioFreeBytes: number;
}

/** An entry whose place in the archive has been checked; its content is checked when it is inflated. */
export interface ZipEntry {
  readonly name: string;
  readonly method: 'store' | 'deflate';
  /** As the archive states them; what is inflated has to agree. */
  readonly crc32: number;
  readonly size: number;
  /** A view into the archive, not a copy. */
  readonly packed: Uint8Array;
}

/** Files by name; folders are left out. */
export type ZipEntries = ReadonlyMap<string, ZipEntry>;

export type ZipRead =
  | { readonly ok: true; readonly entries: ZipEntries }
  | { readonly ok: false; readonly fault: ZipFault };

/**
 * Limits for an archive of at most `bytesMax` bytes. Measured spectra deflate to a third or a fifth as text; a
 * deflated byte can stand for 1032 at most, which nothing measured comes near (both: own trials, no source).
 */
export function zipLimits(bytesMax: number): ZipLimits {
  return {
    entriesMax: 20_000,
    nameBytesMax: ZIP_NAME_BYTES_MAX,
    entryBytesMax: bytesMax,
    totalBytesMax: 4 * bytesMax,
    ratioMax: 200,
    ratioFreeBytes: 65_536,
  };
}

export const ZIP_NAME_BYTES_MAX = 200;

const LOCAL_HEADER = 0x04034b50;
const END_OF_DIRECTORY = 0x06054b50;

/** True when the bytes begin as an archive does, be it an empty one. */
export function isZip(bytes: Uint8Array): boolean {
  if (bytes.length < 4) return false;
  const signature = new DataView(bytes.buffer, bytes.byteOffset, 4).getUint32(0, true);
  return signature === LOCAL_HEADER || signature === END_OF_DIRECTORY;
}

const NAME_SHOWN = 80;

/** A name as messages show it: escaped, so that it cannot pass for something else, and cut. */
export function shownName(name: string): string {
  const cut = name.length > NAME_SHOWN ? `${name.slice(0, NAME_SHOWN)}…` : name;
  return JSON.stringify(cut).replace(
    /[^ -~…]/g,
    (c) => `\\u${c.charCodeAt(0).toString(16).padStart(4, '0')}`,
  );
}
