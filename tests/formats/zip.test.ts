import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { isZip, type ZipFault } from '../../src/formats/zip.js';
import { readZipEntry, readZipEntryAside } from '../../src/formats/zip-content.js';
import { foldedName, zipNameFault } from '../../src/formats/zip-name.js';
import { readZip } from '../../src/formats/zip-reader.js';
import { writeZip } from '../../src/formats/zip-writer.js';
import {
  DOCUMENT,
  entriesOf,
  LIMITS,
  type RawArchive,
  type RawEntry,
  u16,
  u32,
  unpacked,
  zipOf,
} from '../support/zip-bytes.js';

/** Generous: what it is there to catch takes minutes, or never ends. */
const SOON_MS = 2_000;

function refusalOf(bytes: Uint8Array): ZipFault {
  const read = readZip(bytes, LIMITS);
  if (read.ok) throw new Error('was read');
  return read.fault;
}

const file = (name: string, text = 'x'): RawEntry => ({ name, data: text });

describe('archives that others wrote', () => {
  it('are read: deflated, stored, with a folder, a name in UTF-8 and Unix modes (zipfile of Python 3)', () => {
    const bytes = Buffer.from(
      'UEsDBBQAAAAIAABg4VxSqG5kDAAAABwAAAALAAAAYnVuZGxlLmpzb26rVkpUsjKsrcZGAQBQSwMEFAAAAAAAAGDhXAAAAAAAAAAAAAAAAAgAAABzcGVjdHJhL1BLAwQUAAAIAAAAYOFcM0IhVQQAAAAEAAAADgAAAHNwZWN0cmEvw6kuY3N2MSwyClBLAQIUAxQAAAAIAABg4VxSqG5kDAAAABwAAAALAAAAAAAAAAAAAACkgQAAAABidW5kbGUuanNvblBLAQIUAxQAAAAAAABg4VwAAAAAAAAAAAAAAAAIAAAAAAAAAAAAEADtQTUAAABzcGVjdHJhL1BLAQIUAxQAAAgAAABg4VwzQiFVBAAAAAQAAAAOAAAAAAAAAAAAAACAAVsAAABzcGVjdHJhL8OpLmNzdlBLBQYAAAAAAwADAKsAAACLAAAAAAA=',
      'base64',
    );
    expect(isZip(bytes)).toBe(true);
    const files = unpacked(bytes).map(({ name, bytes: content }) => [name, content.toString()]);
    expect(files).toEqual([
      ['bundle.json', '{"a":1}'.repeat(4)],
      ['spectra/é.csv', '1,2\n'],
    ]);
  });

  it('are read where sizes stand behind the data (zipfile of Python 3, into a pipe)', () => {
    const bytes = Buffer.from(
      'UEsDBBQACAAIAABg4VwAAAAAAAAAAAAAAAALAAAAYnVuZGxlLmpzb26rVkpUsjKsrcZGAQBQSwcIUqhuZAwAAAAcAAAAUEsBAhQDFAAIAAgAAGDhXFKobmQMAAAAHAAAAAsAAAAAAAAAAAAAAIABAAAAAGJ1bmRsZS5qc29uUEsFBgAAAAABAAEAOQAAAEUAAAAAAA==',
      'base64',
    );
    expect(unpacked(bytes).map(({ bytes: content }) => content.toString())).toEqual([
      '{"a":1}'.repeat(4),
    ]);
  });
});

describe('archives of our own', () => {
  const name = fc
    .string({ unit: fc.constantFrom('a', 'b', 'é', '7', '-'), minLength: 1, maxLength: 12 })
    .map((text) => `spectra/${text}.csv`);
  const files = fc
    .uniqueArray(fc.record({ name, bytes: fc.uint8Array({ maxLength: 2000 }) }), {
      selector: (one) => foldedName(one.name),
      maxLength: 8,
    })
    .map((all) => all.map((one) => ({ name: one.name, bytes: Buffer.from(one.bytes) })));

  it('give back what was put in, sorted, whichever way it is packed and in whatever order it came', () => {
    fc.assert(
      fc.property(files, fc.constantFrom('store', 'deflate'), (all, method) => {
        const bytes = writeZip(all, method);
        expect(writeZip([...all].reverse(), method)).toEqual(bytes);
        const sorted = [...all].sort((a, b) => (a.name < b.name ? -1 : 1));
        expect(unpacked(bytes)).toEqual(sorted);
      }),
      { numRuns: 200 },
    );
  });

  it('deflate what gets smaller, and store what would look like an attack', () => {
    const flat = { name: 'flat.csv', bytes: Buffer.alloc(500_000, '0') };
    const text = { name: 'text.csv', bytes: Buffer.from('100.5,2001\n101.5,1999\n'.repeat(9)) };
    const entries = entriesOf(writeZip([flat, text], 'deflate'));
    expect([...entries.values()].map((entry) => entry.method)).toEqual(['store', 'deflate']);
  });

  it.each([
    ['../a.csv', /part \.\./],
    ['a.csv', /twice/],
  ])('are not written with %s beside a.csv', (other, message) => {
    const bytes = Buffer.from('1');
    const both = [
      { name: 'a.csv', bytes },
      { name: other, bytes },
    ];
    expect(() => writeZip(both, 'store')).toThrow(message);
  });

  it('are read by an asker that does not wait as by one that does', async () => {
    const [entry] = entriesOf(zipOf([DOCUMENT])).values();
    if (entry === undefined) throw new Error('no entry');
    expect(await readZipEntryAside(entry)).toEqual(readZipEntry(entry));
    const broken = { ...entry, crc32: 1 };
    expect(await readZipEntryAside(broken)).toEqual(readZipEntry(broken));
  });
});

describe('names', () => {
  it.each([
    ['', /found none/],
    ['/etc/passwd', /absolute/],
    ['../a.csv', /part \.\./],
    ['a/../../b.csv', /part \.\./],
    ['./a.csv', /part \./],
    ['a//b.csv', /empty part/],
    ['a\\b.csv', /backslash/],
    ['C:a.csv', /drive letter/],
    ['ab:c', /colon/],
    ['a\u0000.csv', /control/],
    ['a\n.csv', /control/],
    ['a\u202ecsv.exe', /control/],
    ['NUL', /device/],
    ['spectra/com1.csv', /device/],
    ['a.', /blank or a dot/],
    ['a /b', /blank or a dot/],
    ['x'.repeat(201), /at most 200 bytes/],
  ])('%j may not stand in a bundle', (name, message) => {
    expect(zipNameFault(name)).toMatch(message);
    if (name !== '') {
      const fault = refusalOf(zipOf([DOCUMENT, file(name)]));
      expect(fault.rule).toBe('name');
      expect(fault.message).toMatch(message);
      expect(fault.entry).toMatch(/^"[ -~…]*"$/);
    }
  });

  it.each(['a.csv', 'spectra/run 1.jdx', 'Ünder.csv', '..a.csv', 'console.csv', 'bundle.json'])(
    '%s may',
    (name) => {
      expect(zipNameFault(name)).toBeNull();
    },
  );

  it.each([
    ['a.csv', 'a.csv'],
    ['a.csv', 'A.CSV'],
    ['straße.csv', 'STRASSE.csv'],
    ['\u00e9.csv', 'e\u0301.csv'],
    ['a', 'a/'],
  ])('%s and %s are one name', (one, other) => {
    const data = other.endsWith('/') ? '' : 'y';
    const fault = refusalOf(zipOf([DOCUMENT, file(one), { name: other, data }]));
    expect(fault).toMatchObject({ rule: 'name', entry: expect.stringMatching(/^"/) });
    expect(fault.message).toMatch(/same name/);
  });

  it.each([
    ['that are not UTF-8', Buffer.from([0x61, 0xff]), 0x0800, /not UTF-8/],
    ['that are not ASCII and not marked', Buffer.from('é.csv'), 0, /ASCII/],
  ])('%s are refused', (_what, name, flags, message) => {
    const fault = refusalOf(zipOf([DOCUMENT, { name, data: 'x', flags }]));
    expect(fault.rule).toBe('name');
    expect(fault.message).toMatch(message);
  });
});

describe('archives that are refused before anything is inflated', () => {
  const utf8 = 0x0800;
  const cases: readonly [string, readonly RawEntry[], RawArchive, ZipFault['rule'], RegExp][] = [
    ['a symbolic link', [{ ...file('l'), mode: 0o120777 }], {}, 'kind', /symbolic link/],
    ['a device', [{ ...file('d'), mode: 0o020666 }], {}, 'kind', /special file \(mode 20666\)/],
    ['a pipe', [{ ...file('p'), mode: 0o010666 }], {}, 'kind', /special file/],
    ['a folder that is a file', [{ ...file('f'), mode: 0o040755 }], {}, 'kind', /special file/],
    ['a folder with content', [file('f/', 'content')], {}, 'kind', /folder with content/],
    ['an encrypted entry', [{ ...file('e'), flags: utf8 | 1 }], {}, 'kind', /encrypted/],
    ['strong encryption', [{ ...file('e'), flags: utf8 | 0x40 }], {}, 'kind', /encrypted/],
    ['a hidden directory', [{ ...file('e'), flags: utf8 | 0x2000 }], {}, 'kind', /encrypted/],
    ['patched data', [{ ...file('e'), flags: utf8 | 0x20 }], {}, 'kind', /patch/],
    ['another method', [{ ...file('b'), method: 12 }], {}, 'kind', /method 12/],
    [
      'another cipher',
      [{ ...file('a'), extra: Buffer.concat([u16(0x9901), u16(0)]) }],
      {},
      'kind',
      /encryption/,
    ],
    [
      'a second name',
      [{ ...file('a'), extra: Buffer.concat([u16(0x7075), u16(2), u16(1)]) }],
      {},
      'kind',
      /second name/,
    ],
    [
      'zip64 sizes of one entry',
      [{ ...file('a'), extra: Buffer.concat([u16(1), u16(8), Buffer.alloc(8)]) }],
      {},
      'kind',
      /zip64/,
    ],
    [
      'zip64 sizes in the entry itself only',
      [{ ...file('a'), local: { extra: Buffer.concat([u16(1), u16(0)]) } }],
      {},
      'kind',
      /zip64/,
    ],
    ['an extra field cut off', [{ ...file('a'), extra: u16(7) }], {}, 'structure', /cut off/],
    ['a size for zip64 to say', [{ ...file('a'), size: 0xffffffff }], {}, 'structure', /zip64/],
    ['an offset for zip64 to say', [], { directoryOffset: 0xffffffff }, 'structure', /zip64/],
    ['a count for zip64 to say', [], { count: 0xffff }, 'structure', /zip64/],
    [
      'a zip64 locator',
      [],
      { betweenDirectoryAndEnd: Buffer.concat([u32(0x07064b50), Buffer.alloc(16)]) },
      'structure',
      /zip64/,
    ],
    ['a part of several', [], { disk: 1 }, 'structure', /one piece/],
    ['a count of a part', [], { countHere: 0 }, 'structure', /one piece/],
    ['an entry on another disk', [{ ...file('a'), disk: 3 }], {}, 'structure', /another piece/],
    ['a comment', [], { comment: 'PK' }, 'structure', /end record/],
    ['bytes behind', [], { after: Buffer.from('x') }, 'structure', /end record/],
    ['bytes in front', [], { before: Buffer.from('#!') }, 'structure', /at byte/],
    ['more entries than listed', [], { count: 2 }, 'structure', /2 entries.*found 1/],
    ['fewer entries than listed', [file('a')], { count: 1 }, 'structure', /more bytes/],
    ['a directory elsewhere', [], { directoryOffset: 3 }, 'structure', /directory to end/],
    ['an entry twice', [{ ...file('a'), offset: 0 }], {}, 'structure', /lies over/],
    ['bytes between', [{ ...file('a'), tail: Buffer.from('hidden') }], {}, 'structure', /6 bytes/],
    [
      'another name inside',
      [{ ...file('a'), local: { name: 'b' } }],
      {},
      'structure',
      /name in the header/,
    ],
    ['another method inside', [{ ...file('a'), local: { method: 8 } }], {}, 'structure', /method/],
    ['another size inside', [{ ...file('a'), local: { size: 2 } }], {}, 'structure', /sizes/],
    ['another CRC inside', [{ ...file('a'), local: { crc32: 2 } }], {}, 'structure', /CRC-32/],
    ['a stored entry of two sizes', [{ ...file('a'), size: 2 }], {}, 'structure', /stored in 1/],
    [
      'other sizes behind the data',
      [{ ...file('a'), flags: utf8 | 8, tail: Buffer.concat([u32(9), u32(1), u32(1)]) }],
      {},
      'structure',
      /CRC-32/,
    ],
    [
      'no sizes where they should be',
      [{ ...file('a'), flags: utf8 | 8 }],
      {},
      'structure',
      /0 bytes/,
    ],
    [
      'a packed size past the end',
      [{ ...file('a'), packedSize: 9999 }],
      {},
      'structure',
      /cut off/,
    ],
    [
      'an entry past the end',
      [{ ...file('a'), offset: 99_999 }],
      {},
      'structure',
      /behind the last byte/,
    ],
    [
      'an entry too large',
      [{ ...file('a'), size: 1_000_001 }],
      {},
      'limit',
      /at most 1000000 bytes/,
    ],
    [
      'a ratio that nothing measured has',
      [{ name: 'a', data: Buffer.alloc(900_000), deflate: true }],
      {},
      'limit',
      /200 bytes for a packed one, found 900000/,
    ],
    [
      'too much in all',
      Array.from({ length: 5 }, (_, i) => ({
        ...file(`a${i}`, 'x'.repeat(5000)),
        method: 8,
        size: 999_999,
      })),
      {},
      'limit',
      /4000000 bytes inflated in all, found/,
    ],
    [
      'too many entries',
      Array.from({ length: 50 }, (_, i) => file(`${i}`)),
      {},
      'limit',
      /50 entries/,
    ],
  ];

  it.each(cases)('%s', (_what, entries, archive, rule, message) => {
    const fault = refusalOf(zipOf([DOCUMENT, ...entries], archive));
    expect(fault.rule).toBe(rule);
    expect(fault.message).toMatch(message);
    if (entries.length === 1 && archive.count === undefined && entries[0]?.offset !== 0) {
      expect(fault.entry).toBe(JSON.stringify(entries[0]?.name));
    }
  });

  it('every cut of an archive', () => {
    const bytes = zipOf([DOCUMENT, file('a.csv', '1,2\n')]);
    for (let length = 0; length < bytes.length; length++) {
      const fault = refusalOf(bytes.subarray(0, length));
      expect(fault.rule).toBe('structure');
    }
  });

  it('sixty thousand entries, at once', () => {
    const started = performance.now();
    const bytes = zipOf([DOCUMENT], { count: 60_000 });
    expect(refusalOf(bytes)).toMatchObject({ rule: 'limit' });
    expect(performance.now() - started).toBeLessThan(SOON_MS);
  });
});
