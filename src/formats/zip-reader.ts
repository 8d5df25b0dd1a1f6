import {
  shownName,
  type ZipEntries,
  type ZipEntry,
  type ZipLimits,
  type ZipRead,
  type ZipRule,
} from './zip.js';
import { foldedName, zipNameFault } from './zip-name.js';

const END_SIZE = 22;
const CENTRAL_SIZE = 46;
const LOCAL_SIZE = 30;
const SIGNATURE = {
  local: 0x04034b50,
  central: 0x02014b50,
  end: 0x06054b50,
  descriptor: 0x08074b50,
  zip64Locator: 0x07064b50,
};
const FLAG = { encrypted: 0x2041, descriptor: 0x0008, patched: 0x0020, utf8: 0x0800 };
const METHODS: ReadonlyMap<number, ZipEntry['method']> = new Map([
  [0, 'store'],
  [8, 'deflate'],
]);
/** Extra fields that change what an entry is: zip64, strong encryption, another name, another cipher. */
const EXTRA_REFUSED: ReadonlyMap<number, string> = new Map([
  [0x0001, 'zip64 sizes'],
  [0x0017, 'encryption'],
  [0x7075, 'a second name'],
  [0x9901, 'encryption'],
]);
const UNIX_TYPE = 0o170000;
const UNIX_FILE = 0o100000;
const UNIX_FOLDER = 0o040000;

class ZipRefusal extends Error {
  constructor(
    readonly rule: ZipRule,
    readonly entry: string | null,
    message: string,
  ) {
    super(message);
  }
}

/**
 * Reads an archive's directory and checks that it says one thing: the entries lie end to end from the first byte
 * to the directory, each as its own header says too, the directory lies before the end record, and nothing lies
 * behind that. Names, kinds and stated sizes are within `limits`. Nothing is inflated.
 */
export function readZip(bytes: Uint8Array, limits: ZipLimits): ZipRead {
  try {
    const archive = Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    return { ok: true, entries: readEntries(archive, limits) };
  } catch (error) {
    if (!(error instanceof ZipRefusal)) throw error;
    const { rule, entry, message } = error;
    return { ok: false, fault: { rule, entry: entry === null ? null : shownName(entry), message } };
  }
}

interface Central {
  readonly name: string;
  readonly rawName: Buffer;
  readonly isFolder: boolean;
  readonly method: ZipEntry['method'];
  readonly methodCode: number;
  readonly flags: number;
  readonly crc32: number;
  readonly packedSize: number;
  readonly size: number;
  readonly offset: number;
}

function readEntries(archive: Buffer, limits: ZipLimits): ZipEntries {
  const end = readEnd(archive, limits);
  const listed = readDirectory(archive, end);
  refuseLimits(listed, limits);
  const outside = listed.find(({ offset }) => offset >= end.directoryOffset);
  if (outside !== undefined) throw broken('the entry lies behind the last byte', outside.name);
  const byOffset = [...listed].sort((a, b) => a.offset - b.offset);
  const entries = new Map<string, ZipEntry>();
  let from = 0;
  for (const [index, central] of byOffset.entries()) {
    const to = byOffset[index + 1]?.offset ?? end.directoryOffset;
    const packed = readLocal(archive, central, from, to);
    const { name, method, crc32, size } = central;
    if (!central.isFolder) entries.set(name, { name, method, crc32, size, packed });
    from = to;
  }
  return entries;
}

interface End {
  readonly entries: number;
  readonly directoryOffset: number;
  readonly directoryEnd: number;
}

function readEnd(archive: Buffer, limits: ZipLimits): End {
  const at = archive.length - END_SIZE;
  if (at < 0 || archive.readUInt32LE(at) !== SIGNATURE.end) {
    throw broken(
      'expected the end record in the last 22 bytes, found none: cut off, or more behind it',
    );
  }
  if (archive.readUInt16LE(at + 20) !== 0) throw broken('expected no comment behind the archive');
  const disks = archive.readUInt16LE(at + 4) + archive.readUInt16LE(at + 6);
  const entries = archive.readUInt16LE(at + 10);
  const size = archive.readUInt32LE(at + 12);
  const offset = archive.readUInt32LE(at + 16);
  const isLarge = entries === 0xffff || size === 0xffffffff || offset === 0xffffffff;
  if (isLarge || (at >= 20 && archive.readUInt32LE(at - 20) === SIGNATURE.zip64Locator)) {
    throw broken('expected a plain archive, found zip64');
  }
  if (disks !== 0 || archive.readUInt16LE(at + 8) !== entries) {
    throw broken('expected an archive in one piece, found a part of several');
  }
  if (entries > limits.entriesMax) {
    throw new ZipRefusal(
      'limit',
      null,
      `expected at most ${limits.entriesMax} entries, found ${entries}`,
    );
  }
  if (offset + size !== at) {
    throw broken(`expected the directory to end at byte ${at}, found ${offset + size}`);
  }
  return { entries, directoryOffset: offset, directoryEnd: at };
}

function readDirectory(archive: Buffer, end: End): readonly Central[] {
  const listed: Central[] = [];
  const names = new Map<string, string>();
  let at = end.directoryOffset;
  for (let index = 0; index < end.entries; index++) {
    if (at + CENTRAL_SIZE > end.directoryEnd || archive.readUInt32LE(at) !== SIGNATURE.central) {
      throw broken(`expected ${end.entries} entries in the directory, found ${index}`);
    }
    const nameEnd = at + CENTRAL_SIZE + archive.readUInt16LE(at + 28);
    const extraEnd = nameEnd + archive.readUInt16LE(at + 30);
    const next = extraEnd + archive.readUInt16LE(at + 32);
    if (next > end.directoryEnd) throw broken(`entry ${index} of the directory is cut off`);
    const central = readCentral(archive, at, nameEnd, index);
    refuseExtra(archive.subarray(nameEnd, extraEnd), central.name);
    const folded = foldedName(central.name.replace(/\/$/, ''));
    const twin = names.get(folded);
    if (twin !== undefined) {
      throw new ZipRefusal(
        'name',
        central.name,
        `another entry has the same name, or one that differs in case or accents only: ${shownName(twin)}`,
      );
    }
    names.set(folded, central.name);
    listed.push(central);
    at = next;
  }
  if (at !== end.directoryEnd) {
    throw broken(`expected ${end.entries} entries in the directory, found more bytes behind them`);
  }
  return listed;
}

function readCentral(archive: Buffer, at: number, nameEnd: number, index: number): Central {
  const flags = archive.readUInt16LE(at + 8);
  const rawName = archive.subarray(at + CENTRAL_SIZE, nameEnd);
  const name = nameOf(rawName, flags, index);
  const isFolder = name.endsWith('/');
  const nameFault = zipNameFault(isFolder ? name.slice(0, -1) : name);
  if (nameFault !== null) throw new ZipRefusal('name', name, nameFault);
  if ((flags & FLAG.encrypted) !== 0) throw odd(name, 'the entry is encrypted');
  if ((flags & FLAG.patched) !== 0) throw odd(name, 'the entry is a patch of another file');
  const methodCode = archive.readUInt16LE(at + 10);
  const method = METHODS.get(methodCode);
  if (method === undefined) {
    throw odd(
      name,
      `expected an entry that is stored (0) or deflated (8), found method ${methodCode}`,
    );
  }
  const central = {
    name,
    rawName,
    isFolder,
    method,
    methodCode,
    flags,
    crc32: archive.readUInt32LE(at + 16),
    packedSize: archive.readUInt32LE(at + 20),
    size: archive.readUInt32LE(at + 24),
    offset: archive.readUInt32LE(at + 42),
  };
  const { packedSize, size, offset } = central;
  if (packedSize === 0xffffffff || size === 0xffffffff || offset === 0xffffffff) {
    throw broken('expected a plain archive, found zip64', name);
  }
  if (archive.readUInt16LE(at + 34) !== 0) throw broken('the entry lies in another piece', name);
  refuseSpecial(central, archive.readUInt32LE(at + 38) >>> 16);
  return central;
}

function nameOf(raw: Buffer, flags: number, index: number): string {
  const isAscii = raw.every((byte) => byte < 0x80);
  if (!isAscii && (flags & FLAG.utf8) === 0) {
    throw new ZipRefusal(
      'name',
      raw.toString('latin1'),
      `entry ${index}: expected a name in ASCII or one marked as UTF-8`,
    );
  }
  try {
    return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(raw);
  } catch {
    // A TypeError is how the decoder says that the bytes are not UTF-8.
    throw new ZipRefusal('name', raw.toString('latin1'), `entry ${index}: the name is not UTF-8`);
  }
}

/** Unix modes are heeded whatever system the archive names: whoever unpacks it might. */
function refuseSpecial({ name, isFolder, size, packedSize }: Central, mode: number): void {
  const type = mode & UNIX_TYPE;
  const expected = isFolder ? UNIX_FOLDER : UNIX_FILE;
  if (type !== 0 && type !== expected) {
    const kind =
      type === 0o120000 ? 'a symbolic link' : `a special file (mode ${mode.toString(8)})`;
    throw odd(name, `expected a plain ${isFolder ? 'folder' : 'file'}, found ${kind}`);
  }
  // Some writers deflate the nothing of a folder into two bytes.
  if (isFolder && (size !== 0 || packedSize > 2)) throw odd(name, 'a folder with content');
}

function refuseExtra(extra: Buffer, name: string): void {
  let at = 0;
  while (at < extra.length) {
    if (at + 4 > extra.length) throw broken('an extra field is cut off', name);
    const refused = EXTRA_REFUSED.get(extra.readUInt16LE(at));
    if (refused !== undefined) throw odd(name, `the entry carries ${refused}`);
    at += 4 + extra.readUInt16LE(at + 2);
    if (at > extra.length) throw broken('an extra field is cut off', name);
  }
}

function refuseLimits(listed: readonly Central[], limits: ZipLimits): void {
  let total = 0;
  for (const { name, size, packedSize } of listed) {
    const tooMuch = (what: string) => new ZipRefusal('limit', name, what);
    if (size > limits.entryBytesMax) {
      throw tooMuch(`expected at most ${limits.entryBytesMax} bytes inflated, found ${size}`);
    }
    if (size > limits.ratioFreeBytes && size > packedSize * limits.ratioMax) {
      throw tooMuch(
        `expected at most ${limits.ratioMax} bytes for a packed one, found ${size} for ${packedSize}`,
      );
    }
    total += size;
  }
  if (total > limits.totalBytesMax) {
    const found = `expected at most ${limits.totalBytesMax} bytes inflated in all, found ${total}`;
    throw new ZipRefusal('limit', null, found);
  }
}

/** Compares an entry's own header with the directory; returns its packed bytes. It has to fill `from` to `to`. */
function readLocal(archive: Buffer, central: Central, from: number, to: number): Buffer {
  const { name, offset: at, rawName } = central;
  if (at !== from) {
    const expected = `expected it at byte ${from}, found ${at}`;
    throw broken(`${expected}: entries lie over one another, or bytes between them`, name);
  }
  if (at + LOCAL_SIZE > to) throw broken('the entry lies over the one behind it', name);
  if (archive.readUInt32LE(at) !== SIGNATURE.local) {
    throw broken(`expected the entry's header at byte ${at}, found none`, name);
  }
  const nameEnd = at + LOCAL_SIZE + archive.readUInt16LE(at + 26);
  const dataAt = nameEnd + archive.readUInt16LE(at + 28);
  const dataEnd = dataAt + central.packedSize;
  if (dataEnd > to) throw broken('the entry lies over the one behind it, or is cut off', name);
  if (!archive.subarray(at + LOCAL_SIZE, nameEnd).equals(rawName)) {
    throw broken('the name in the header is not the one in the directory', name);
  }
  refuseExtra(archive.subarray(nameEnd, dataAt), name);
  const flags = archive.readUInt16LE(at + 6);
  if (flags !== central.flags || archive.readUInt16LE(at + 8) !== central.methodCode) {
    throw broken('flags or method in the header are not those in the directory', name);
  }
  const hasDescriptor = (flags & FLAG.descriptor) !== 0;
  const stated = sizesAt(archive, at + 14);
  const isBlank = hasDescriptor && stated.every((value) => value === 0);
  if (!isBlank) refuseOther(stated, central);
  refuseTail(archive, central, dataEnd, to, hasDescriptor);
  if (central.method === 'store' && central.packedSize !== central.size) {
    throw broken(`stored in ${central.packedSize} bytes, its size is ${central.size}`, name);
  }
  return archive.subarray(dataAt, dataEnd);
}

/** Behind the data lies nothing, or CRC and sizes once more where the writer did not know them before. */
function refuseTail(
  archive: Buffer,
  central: Central,
  dataEnd: number,
  to: number,
  hasDescriptor: boolean,
): void {
  const left = to - dataEnd;
  if (!hasDescriptor && left === 0) return;
  const isSigned = left === 16 && archive.readUInt32LE(dataEnd) === SIGNATURE.descriptor;
  if (!hasDescriptor || !(isSigned || left === 12)) {
    throw broken(`${left} bytes behind the entry belong to none`, central.name);
  }
  refuseOther(sizesAt(archive, dataEnd + (isSigned ? 4 : 0)), central);
}

function sizesAt(archive: Buffer, at: number): readonly [number, number, number] {
  return [archive.readUInt32LE(at), archive.readUInt32LE(at + 4), archive.readUInt32LE(at + 8)];
}

function refuseOther([crc, packed, size]: readonly [number, number, number], to: Central): void {
  if (crc === to.crc32 && packed === to.packedSize && size === to.size) return;
  throw broken('CRC-32 or sizes beside the data are not those in the directory', to.name);
}

function broken(message: string, entry: string | null = null): ZipRefusal {
  return new ZipRefusal('structure', entry, message);
}

function odd(entry: string, message: string): ZipRefusal {
  return new ZipRefusal('kind', entry, message);
}
