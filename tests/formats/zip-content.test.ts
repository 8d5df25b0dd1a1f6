import { crc32, deflateRawSync } from 'node:zlib';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { readZipEntry, readZipEntryAside } from '../../src/formats/zip-content.js';
import { readZip } from '../../src/formats/zip-reader.js';
import type { ZipFile } from '../../src/formats/zip-writer.js';
import {
  DOCUMENT,
  entriesOf,
  LIMITS,
  type RawEntry,
  u32,
  unpacked,
  zipOf,
} from '../support/zip-bytes.js';

/** Generous: what it is there to catch takes minutes, or never ends. */
const SOON_MS = 2_000;

describe('content that is not what the archive states', () => {
  const data = Buffer.from('1,2\n'.repeat(100));
  const packed = deflateRawSync(data);
  const stored: RawEntry = { name: 'a', data };
  const deflated: RawEntry = { ...stored, deflate: true };
  const cases: readonly [string, RawEntry, RegExp][] = [
    ['another CRC-32', { ...stored, crc32: 1 }, /expected CRC-32 00000001, found [0-9a-f]{8}/],
    ['another CRC-32, deflated', { ...deflated, crc32: 1 }, /CRC-32/],
    ['a size too small', { ...deflated, size: 10 }, /expected 10 bytes as it states, found more/],
    ['a size too large', { ...deflated, size: 1000 }, /expected 1000 bytes, found 400/],
    ['a size of nothing', { ...deflated, size: 0 }, /found/],
    ['a stream cut off', { ...deflated, packed: packed.subarray(0, 5) }, /cannot be inflated/],
    ['no stream', { ...deflated, packed: Buffer.from('no stream at all') }, /cannot be inflated/],
    [
      'bytes behind the stream',
      { ...deflated, packed: Buffer.concat([packed, Buffer.from('hidden')]) },
      /6 packed bytes lie behind/,
    ],
  ];

  it.each(cases)('%s', async (_what, entry, message) => {
    const [read] = entriesOf(zipOf([entry])).values();
    if (read === undefined) throw new Error('no entry');
    const content = readZipEntry(read);
    expect(content).toMatchObject({ ok: false, fault: { rule: 'content', entry: '"a"' } });
    expect(content.ok ? '' : content.fault.message).toMatch(message);
    expect(await readZipEntryAside(read)).toEqual(content);
  });

  it('a quoted size far below what it inflates to ends at the size', () => {
    const bomb = deflateRawSync(Buffer.alloc(200_000_000));
    const entry = { name: 'a', data: '', deflate: true, packed: bomb, size: 50_000, crc32: 1 };
    const [read] = entriesOf(zipOf([entry])).values();
    if (read === undefined) throw new Error('no entry');
    const started = performance.now();
    expect(readZipEntry(read)).toMatchObject({ ok: false, fault: { message: /found more/ } });
    expect(performance.now() - started).toBeLessThan(SOON_MS / 10);
  });
});

describe('any bytes', () => {
  const archive = zipOf([
    DOCUMENT,
    { name: 'spectra/', data: '', mode: 0o040755 },
    { name: 'spectra/a.csv', data: '1,2\n3,4\n', mode: 0o100644 },
    { name: 'b.csv', data: '1,2\n'.repeat(50), deflate: true },
  ]);
  const before = unpacked(archive);

  /** Reads everything there is; null when some of it is refused with a reason. */
  function all(bytes: Uint8Array): ZipFile[] | null {
    const read = readZip(bytes, LIMITS);
    if (!read.ok) {
      expect(read.fault.message).not.toBe('');
      return null;
    }
    const contents = [...read.entries.values()].map((entry) => ({
      name: entry.name,
      content: readZipEntry(entry),
    }));
    return contents.flatMap(({ name, content }) => {
      if (content.ok) return [{ name, bytes: Buffer.from(content.bytes) }];
      expect(content.fault.message).not.toBe('');
      return [];
    });
  }

  it('changed anywhere are read as before, or refused with a reason: never a throw', () => {
    const change = fc.record({ at: fc.nat(archive.length - 1), to: fc.nat(255) });
    fc.assert(
      fc.property(fc.array(change, { minLength: 1, maxLength: 4 }), (changes) => {
        const bytes = Buffer.from(archive);
        for (const { at, to } of changes) bytes[at] = to;
        const read = all(bytes);
        // A name can be changed in both places; a content that stands is one of those put in.
        for (const one of read ?? []) {
          expect(before.some((put) => Buffer.from(put.bytes).equals(one.bytes))).toBe(true);
        }
      }),
      { numRuns: 3000 },
    );
  });

  it('at random behind the mark of an archive never throw', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), (noise) => {
        all(Buffer.concat([u32(0x04034b50), noise]));
        all(Buffer.concat([noise, archive.subarray(-22)]));
      }),
      { numRuns: 1000 },
    );
  });

  it('agree with the CRC-32 of the standard test text (check value of the CRC catalogue: cbf43926)', () => {
    expect(crc32('123456789').toString(16)).toBe('cbf43926');
  });
});
