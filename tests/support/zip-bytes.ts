import { crc32, deflateRawSync } from 'node:zlib';
import { type ZipEntries, zipLimits } from '../../src/formats/zip.js';
import { readZipEntry } from '../../src/formats/zip-content.js';
import { readZip } from '../../src/formats/zip-reader.js';
import type { ZipFile } from '../../src/formats/zip-writer.js';

/** What a header of an entry says; anything left out is said as it is. */
interface Said {
  readonly name?: string | Uint8Array;
  readonly flags?: number;
  readonly method?: number;
  readonly crc32?: number;
  readonly packedSize?: number;
  readonly size?: number;
  readonly extra?: Uint8Array;
}

export interface RawEntry extends Said {
  readonly name: string | Uint8Array;
  readonly data: string | Uint8Array;
  readonly deflate?: boolean;
  /** In place of what `data` packs to. */
  readonly packed?: Uint8Array;
  /** Unix mode and type. */
  readonly mode?: number;
  readonly disk?: number;
  readonly offset?: number;
  /** What the entry's own header says otherwise than the directory. */
  readonly local?: Said;
  /** Bytes behind the data. */
  readonly tail?: Uint8Array;
}

export interface RawArchive {
  readonly before?: Uint8Array;
  readonly after?: Uint8Array;
  readonly betweenDirectoryAndEnd?: Uint8Array;
  readonly comment?: string;
  readonly count?: number;
  readonly countHere?: number;
  readonly disk?: number;
  readonly directoryOffset?: number;
  readonly directorySize?: number;
}

/** An archive put together by hand, by the layout of APPNOTE.TXT 6.3.10, that says whatever it is told to. */
export function zipOf(entries: readonly RawEntry[], archive: RawArchive = {}): Buffer {
  const pieces: Uint8Array[] = [archive.before ?? new Uint8Array()];
  const directory: Uint8Array[] = [];
  const written = () => pieces.reduce((sum, piece) => sum + piece.length, 0);
  for (const entry of entries) {
    const data = Buffer.from(entry.data);
    const packed = entry.packed ?? (entry.deflate === true ? deflateRawSync(data) : data);
    const method = entry.deflate === true ? 8 : 0;
    const true_ = { method, crc32: crc32(data), packedSize: packed.length, size: data.length };
    const offset = entry.offset ?? written();
    pieces.push(u32(0x04034b50), header({ ...true_, ...entry, ...entry.local }));
    pieces.push(packed, entry.tail ?? new Uint8Array());
    const central = header({ ...true_, ...entry });
    const nameAndExtra = central.subarray(26);
    directory.push(u32(0x02014b50), u16(0x0314), central.subarray(0, 26));
    directory.push(u16(0), u16(entry.disk ?? 0), u16(0), u32(((entry.mode ?? 0) << 16) >>> 0));
    directory.push(u32(offset), nameAndExtra);
  }
  const start = written();
  const listed = Buffer.concat(directory);
  const count = archive.count ?? entries.length;
  return Buffer.concat([
    ...pieces,
    listed,
    archive.betweenDirectoryAndEnd ?? new Uint8Array(),
    u32(0x06054b50),
    u16(archive.disk ?? 0),
    u16(0),
    u16(archive.countHere ?? count),
    u16(count),
    u32(archive.directorySize ?? listed.length),
    u32(archive.directoryOffset ?? start),
    u16(archive.comment?.length ?? 0),
    Buffer.from(archive.comment ?? ''),
    archive.after ?? new Uint8Array(),
  ]);
}

function header(said: Said): Buffer {
  const name = Buffer.from(said.name ?? '');
  const extra = said.extra ?? new Uint8Array();
  return Buffer.concat([
    u16(20),
    u16(said.flags ?? 0x0800),
    u16(said.method ?? 0),
    u16(0),
    u16(0x0021),
    u32(said.crc32 ?? 0),
    u32(said.packedSize ?? 0),
    u32(said.size ?? 0),
    u16(name.length),
    u16(extra.length),
    name,
    extra,
  ]);
}

export function u16(value: number): Buffer {
  const bytes = Buffer.alloc(2);
  bytes.writeUInt16LE(value);
  return bytes;
}

export function u32(value: number): Buffer {
  const bytes = Buffer.alloc(4);
  bytes.writeUInt32LE(value);
  return bytes;
}

/** A megabyte and fifty entries: small enough for a test to pass every limit. */
export const LIMITS = { ...zipLimits(1_000_000), entriesMax: 50 };

export const DOCUMENT: RawEntry = { name: 'bundle.json', data: '{"a":1}'.repeat(4), deflate: true };

export function entriesOf(bytes: Uint8Array): ZipEntries {
  const read = readZip(bytes, LIMITS);
  if (!read.ok) throw new Error(`${read.fault.rule} ${read.fault.entry}: ${read.fault.message}`);
  return read.entries;
}

/** Everything in an archive, as files. */
export function unpacked(bytes: Uint8Array): ZipFile[] {
  return [...entriesOf(bytes).values()].map((entry) => {
    const content = readZipEntry(entry);
    if (!content.ok) throw new Error(content.fault.message);
    return { name: entry.name, bytes: Buffer.from(content.bytes) };
  });
}
