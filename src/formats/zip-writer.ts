import { crc32, deflateRawSync } from 'node:zlib';
import { zipNameFault } from './zip-name.js';

export interface ZipFile {
  readonly name: string;
  readonly bytes: Uint8Array;
}

/** 1980-01-01 00:00, the first there is: an archive says what was measured, not when it was packed. */
const DATE = 0x0021;
const UTF8 = 0x0800;
const VERSION = 20;
/** What deflates better than this is stored: readers take a high ratio for an attack. */
const RATIO_MAX = 100;

/**
 * Writes files into an archive: sorted by name (UTF-16 code units), with one date, so that the same files give
 * the same bytes. Deflated ones do with the same release of Node; stored ones with every.
 *
 * @throws RangeError for a name that may not stand in a bundle, one that stands twice, and more than zip holds
 */
export function writeZip(files: readonly ZipFile[], method: 'store' | 'deflate'): Uint8Array {
  const sorted = [...files].sort((a, b) => (a.name < b.name ? -1 : 1));
  const pieces: Uint8Array[] = [];
  const directory: Uint8Array[] = [];
  let offset = 0;
  for (const [index, { name, bytes }] of sorted.entries()) {
    const fault = zipNameFault(name);
    if (fault !== null) throw new RangeError(`${name}: ${fault}`);
    if (sorted[index + 1]?.name === name) throw new RangeError(`${name} stands twice`);
    const deflated = method === 'deflate' ? deflateRawSync(bytes, { level: 9 }) : null;
    const isSmaller = deflated !== null && deflated.length < bytes.length;
    const isStored = !isSmaller || deflated.length * RATIO_MAX < bytes.length;
    const packed = isStored ? bytes : deflated;
    const rawName = Buffer.from(name);
    const fields = Buffer.alloc(26);
    fields.writeUInt16LE(VERSION, 0);
    fields.writeUInt16LE(rawName.length === name.length ? 0 : UTF8, 2);
    fields.writeUInt16LE(isStored ? 0 : 8, 4);
    fields.writeUInt16LE(DATE, 8);
    fields.writeUInt32LE(crc32(bytes), 10);
    fields.writeUInt32LE(packed.length, 14);
    fields.writeUInt32LE(bytes.length, 18);
    fields.writeUInt16LE(rawName.length, 22);
    const place = Buffer.alloc(14);
    place.writeUInt32LE(offset, 10);
    directory.push(signature(0x02014b50), fields.subarray(0, 2), fields, place, rawName);
    pieces.push(signature(0x04034b50), fields, rawName, packed);
    offset += 4 + fields.length + rawName.length + packed.length;
  }
  const listed = Buffer.concat(directory);
  const end = Buffer.alloc(22);
  end.writeUInt32LE(0x06054b50, 0);
  end.writeUInt16LE(sorted.length, 8);
  end.writeUInt16LE(sorted.length, 10);
  end.writeUInt32LE(listed.length, 12);
  end.writeUInt32LE(offset, 16);
  return Buffer.concat([...pieces, listed, end]);
}

function signature(value: number): Buffer {
  const bytes = Buffer.alloc(4);
  bytes.writeUInt32LE(value);
  return bytes;
}
