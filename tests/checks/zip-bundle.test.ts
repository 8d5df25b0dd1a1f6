import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  assembleBundle,
  assembleZipBundle,
  type BundleParts,
} from '../../src/checks/assemble-bundle.js';
import { fileBytesMax } from '../../src/checks/decode-spectrum-file.js';
import { isHeld } from '../../src/checks/examination.js';
import { examineBundle } from '../../src/checks/examine-bundle.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import { writeZip, type ZipFile } from '../../src/formats/zip-writer.js';
import type { BundleResult, SpectrumFile } from '../../src/intake/result-bundle.js';
import { examineUnit } from '../../src/pipeline/examine-unit.js';
import { writeOpenJcamp } from '../../src/records/jcamp-record.js';
import { type RawEntry, zipOf } from '../support/zip-bytes.js';
import {
  curve,
  examine,
  findingsOf,
  goodCheck,
  goodParts,
  goodResult,
  NOW,
  placesOf,
  SITE,
  validateSchema,
} from './fixture.js';

type Curve = ReturnType<typeof curve>;
type Format = SpectrumFile['format'];

/** Every digit of every value. */
const csvOf = ({ axis, intensity }: Curve) =>
  Buffer.from(`shift,counts\n${Array.from(axis, (x, i) => `${x},${intensity[i]}\n`).join('')}`);

const jcampOf = ({ axis, intensity }: Curve, times = 1) =>
  Buffer.from(
    writeOpenJcamp(
      Array.from({ length: times }, () => {
        return { title: 'simulated', axis, intensity, intensityUnit: 'COUNTS', notes: [] };
      }),
    ),
  );

function fileOf(
  name: string,
  bytes: Uint8Array,
  over: Partial<SpectrumFile> = {},
): { file: ZipFile; spectrum: SpectrumFile } {
  const format: Format = name.endsWith('.csv') ? 'csv' : 'jcamp-dx';
  const { axis } = curve('paracetamol');
  return {
    file: { name, bytes },
    spectrum: {
      file: name,
      sha256: sha256(bytes),
      format,
      points: axis.length,
      intensityUnit: 'counts',
      ...over,
    },
  };
}

/** Results 1 and 2 with their spectra as files, and the files. */
function twoFiles(): { results: BundleResult[]; files: ZipFile[] } {
  const one = fileOf('spectra/one.csv', csvOf(curve('paracetamol', 1)));
  const two = fileOf('spectra/two.jdx', jcampOf(curve('paracetamol', 2)));
  return {
    results: [goodResult(1, { spectrum: one.spectrum }), goodResult(2, { spectrum: two.spectrum })],
    files: [one.file, two.file],
  };
}

const zipped = (parts: BundleParts, files: readonly ZipFile[]) =>
  assembleZipBundle(parts, files, 'deflate').bytes;

/** `code pointer` of everything found in a bundle of one result whose spectrum is a file. */
function placesOfFile(
  name: string,
  bytes: Uint8Array,
  over: Partial<SpectrumFile> = {},
  site = SITE,
): { places: readonly string[]; messages: string } {
  const { file, spectrum } = fileOf(name, bytes, over);
  const examination = examine(zipped(goodParts([goodResult(1, { spectrum })]), [file]), site);
  const findings = findingsOf(examination);
  return { places: placesOf(findings), messages: findings.map((f) => f.message).join('\n') };
}

describe('a bundle as a zip archive', () => {
  const json = goodParts([goodResult(1), goodResult(2)]);
  const { results, files } = twoFiles();
  const archive = zipped(goodParts(results), files);

  it('gives the same records as the same bundle as JSON, AnIML included, but for the bytes they came in', () => {
    const [fromJson, fromZip] = [assembleBundle(json).bytes, archive].map((bytes) => {
      const unit = examineUnit(
        { bytes, now: NOW, registry: null, receivedAt: NOW },
        SITE,
        validateSchema,
      );
      if (unit.kind === 'unreadable') throw new Error(unit.finding.message);
      expect(findingsOf(unit.examination)).toEqual([]);
      return unit.records.map((record) => JSON.parse(record?.json ?? 'null') as object);
    });
    const raw = (bytes: Uint8Array) => ({ rawSha256: sha256(bytes) });
    const text = JSON.stringify(fromJson);
    expect(fromZip).toHaveLength(2);
    const same = text.replaceAll(raw(assembleBundle(json).bytes).rawSha256, raw(archive).rawSha256);
    expect(JSON.stringify(fromZip)).toBe(same);
  });

  it('is recognised however it is packed, and its files take part in that', () => {
    const digests = [
      archive,
      assembleZipBundle(goodParts(results), files, 'store').bytes,
      zipOf([
        ...files.map(({ name, bytes }) => ({ name, data: bytes, deflate: true })),
        { name: 'spectra/', data: '', mode: 0o040755 },
        { name: 'bundle.json', data: JSON.stringify(JSON.parse(documentOf(goodParts(results)))) },
      ]),
    ].map((bytes) => {
      const examination = examine(bytes);
      expect(findingsOf(examination)).toEqual([]);
      return examination.canonicalDigest;
    });
    expect(new Set(digests).size).toBe(1);
    const other = fileOf('spectra/one.csv', csvOf(curve('paracetamol', 3)));
    const [, second] = results as [BundleResult, BundleResult];
    const changed = goodParts([goodResult(1, { spectrum: other.spectrum }), second]);
    const [, secondFile] = files as [ZipFile, ZipFile];
    const examination = examine(zipped(changed, [other.file, secondFile]));
    expect(examination.canonicalDigest).not.toBe(digests[0]);
    expect(examination.results[1]?.sha256).toBe(examine(archive).results[1]?.sha256);
    expect(examination.results[0]?.sha256).not.toBe(examine(archive).results[0]?.sha256);
  });

  it('may hold spectra in the document beside spectra as files', () => {
    const parts = goodParts([...results.slice(0, 1), goodResult(2)]);
    expect(findingsOf(examine(zipped(parts, files.slice(0, 1))))).toEqual([]);
  });

  it('takes a file that descends for what it is', () => {
    const { axis, intensity } = curve('paracetamol', 1);
    const down = { axis: axis.toReversed(), intensity: intensity.toReversed() };
    for (const bytes of [csvOf(down), jcampOf(down)]) {
      const name = bytes.includes('##') ? 'a.jdx' : 'a.csv';
      expect(placesOfFile(name, bytes).places).toEqual([]);
    }
  });
});

function documentOf(parts: BundleParts): string {
  return Buffer.from(assembleBundle(parts).bytes).toString('utf8');
}

describe('files that are not as the bundle says hold the bundle', () => {
  const { results, files } = twoFiles();
  const parts = goodParts(results);
  const [one, two] = files as [ZipFile, ZipFile];
  const bundle: RawEntry = { name: 'bundle.json', data: documentOf(parts) };
  const entry = ({ name, bytes }: ZipFile): RawEntry => ({ name, data: bytes });
  const unusable = 'recheck-not-possible /results/0/spectrum';

  it.each<[string, RawEntry[], string]>([
    ['missing', [bundle, entry(two)], 'file-missing /results/0/spectrum/file'],
    ['unnamed', [bundle, entry(one), entry(two), { name: 'x.csv', data: '1' }], 'file-unnamed '],
    [
      'changed',
      [bundle, { name: one.name, data: Buffer.concat([one.bytes, Buffer.from('\n')]) }, entry(two)],
      'file-digest /results/0/spectrum/sha256',
    ],
    [
      'damaged',
      [bundle, { ...entry(one), crc32: 1 }, entry(two)],
      'file-damaged /results/0/spectrum/file',
    ],
    [
      'larger than they state',
      [bundle, { ...entry(one), deflate: true, size: 100 }, entry(two)],
      'file-damaged /results/0/spectrum/file',
    ],
  ])('%s', (what, entries, place) => {
    const examination = examine(zipOf(entries));
    expect(isHeld(examination.bundleFindings)).toBe(true);
    expect(placesOf(findingsOf(examination))).toEqual(
      what === 'unnamed' ? [place] : [place, unusable],
    );
    const [finding] = examination.bundleFindings;
    expect(finding?.message).toContain(what === 'unnamed' ? 'x.csv' : one.name);
    expect(examination.results[1]?.recheck.answer).toBe('agrees');
  });

  it('named by a document without an archive', () => {
    const examination = examine(assembleBundle(parts).bytes);
    expect(placesOf(examination.bundleFindings)).toEqual([
      'file-missing /results/0/spectrum/file',
      'file-missing /results/1/spectrum/file',
    ]);
    expect(examination.bundleFindings[0]?.message).toMatch(/no zip archive/);
  });

  it('named twice', () => {
    const [first] = results as [BundleResult];
    const both = goodParts([first, goodResult(2, { spectrum: first.spectrum })]);
    const examination = examine(zipped(both, [one]));
    expect(placesOf(examination.bundleFindings)).toEqual(['file-shared /results/1/spectrum/file']);
    expect(examination.bundleFindings[0]?.message).toContain('/results/0');
  });

  it('that are the document itself', () => {
    const { spectrum } = fileOf('bundle.json', Buffer.from('x'));
    const examination = examine(zipped(goodParts([goodResult(1, { spectrum })]), []));
    expect(placesOf(examination.bundleFindings)).toEqual(['file-missing /results/0/spectrum/file']);
  });

  it.each([
    ['a zip archive', writeZip([{ name: 'a.csv', bytes: Buffer.from('1,2') }], 'store')],
    ['a gzip file', Buffer.from([0x1f, 0x8b, 8, 0])],
    ['a 7z archive', Buffer.from('377abcaf271c0004', 'hex')],
    ['a tar archive', Buffer.concat([Buffer.alloc(257), Buffer.from('ustar'), Buffer.alloc(250)])],
  ])('packed once more: %s', (what, bytes) => {
    const { places, messages } = placesOfFile('a.csv', bytes);
    expect(places).toEqual(['file-archive /results/0/spectrum/file', unusable]);
    expect(messages).toContain(`expected a spectrum, found ${what}`);
  });

  it('of performance checks too', () => {
    const { file, spectrum } = fileOf('check.csv', Buffer.from('no spectrum'));
    const of = (bytes: Uint8Array) =>
      examine(
        zipped(goodParts([goodResult(1)], { performanceChecks: [goodCheck(2, { spectrum })] }), [
          { ...file, bytes },
        ]),
      );
    expect(placesOf(findingsOf(of(file.bytes)))).toEqual([
      'performance-spectrum-unreadable /performanceChecks/0/spectrum/file',
    ]);
    expect(placesOf(findingsOf(of(Buffer.from('changed'))))).toEqual([
      'file-digest /performanceChecks/0/spectrum/sha256',
    ]);
  });
});

describe('a file that cannot be decoded holds its result and no other', () => {
  const good = curve('paracetamol', 1);
  const text = csvOf(good).toString();
  const unusable = 'recheck-not-possible /results/0/spectrum';

  it.each<[string, string, Uint8Array, Partial<SpectrumFile>, RegExp]>([
    [
      'a cell that is no number',
      'a.csv',
      Buffer.from(text.replace(/\n2\d\d,/, '\nzwei,')),
      {},
      /a\.csv: line 2, column 1: expected a number/,
    ],
    ['no text', 'a.csv', Buffer.from([0xff, 0xfe, 0x31]), {}, /a\.csv: expected a text in UTF-8/],
    [
      'fewer points than declared',
      'a.csv',
      Buffer.from(text.split('\n').slice(0, 100).join('\n')),
      {},
      /expected 901 points as the bundle declares, found 99/,
    ],
    [
      'more points than declared',
      'a.csv',
      Buffer.from(text),
      { points: 900 },
      /line 902: more than 900 points/,
    ],
    ['no JCAMP-DX', 'a.jdx', Buffer.from(text), {}, /a\.jdx: line 1: expected ##TITLE= first/],
    [
      'more points than declared in JCAMP-DX, before they are decoded',
      'a.jdx',
      jcampOf(good),
      { points: 900 },
      /expected at most 900 points, NPOINTS says 901/,
    ],
    ['several spectra', 'a.jdx', jcampOf(good, 2), {}, /one Raman spectrum, found 2/],
    [
      'another format than stated',
      'a.csv',
      jcampOf(good),
      {},
      /a\.csv: line 1, column 1: expected a Raman shift in cm-1 .* found "##TITLE="/,
    ],
    [
      'columns the other way round',
      'a.csv',
      Buffer.from(
        `counts,shift\n${Array.from(good.axis, (x, i) => `${1000 + i},${x}\n`).join('')}`,
      ),
      {},
      /a\.csv: line 1, column 1: expected a Raman shift in cm-1 under a header such as raman_shift_cm1, found "counts"/,
    ],
    [
      'an axis in nanometres',
      'a.csv',
      Buffer.from(text.replace('shift,counts', 'wavelength (nm),counts')),
      {},
      /a\.csv: line 1, column 1: expected a Raman shift in cm-1, found the unit "nm"/,
    ],
    [
      'more bytes than so many points can need, before it is inflated',
      'a.csv',
      Buffer.alloc(fileBytesMax(2) + 1, '1,2\n'),
      { points: 2, sha256: '0'.repeat(64) },
      /expected at most \d+ bytes for 2 points, found \d+/,
    ],
  ])('%s', (_what, name, bytes, over, message) => {
    const { places, messages } = placesOfFile(name, bytes, over);
    expect(places).toEqual(['spectrum-file /results/0/spectrum/file', unusable]);
    expect(messages).toMatch(message);
  });

  it('more points than the site takes, before anything is inflated', () => {
    const { places, messages } = placesOfFile('a.csv', Buffer.from('x'), {
      points: 2001,
      sha256: '0'.repeat(64),
    });
    expect(places).toEqual(['spectrum-points /results/0/spectrum/points', unusable]);
    expect(messages).toMatch(/expected 2 to 2000 points, found 2001/);
  });

  it('more points in all than the bytes of a bundle can hold', () => {
    const small = { ...SITE, limits: { ...SITE.limits, bundleBytesMax: 70_000 } };
    const flat = (n: number) =>
      fileOf(`${n}.csv`, Buffer.from(`${n},1\n`), { points: 2000, sha256: '0'.repeat(64) });
    const all = Array.from({ length: 19 }, (_, i) => flat(i));
    const one = fileOf('one.csv', csvOf(good));
    const results = [one, ...all].map(({ spectrum }, i) => goodResult(i + 1, { spectrum }));
    const files = [one, ...all].map(({ file }) => file);
    const examination = examine(zipped(goodParts(results), files), small);
    const points = findingsOf(examination).filter((f) => f.code === 'spectrum-points');
    // 35 000 points: 901 and 17 times 2000.
    expect(points.map((f) => f.pointer)).toEqual([
      '/results/18/spectrum/points',
      '/results/19/spectrum/points',
    ]);
    expect(points[0]?.message).toMatch(
      /at most 35000 points in all .* 99 of them left, found 2000/,
    );
  });

  it('beside a good one, and a fail in it counts all the same', () => {
    const { results, files } = twoFiles();
    const broken = fileOf('spectra/three.csv', Buffer.from('1,2\n'));
    const third = goodResult(3, { spectrum: broken.spectrum, decision: 'fail', score: null });
    const parts = goodParts([...results, third]);
    const examination = examine(zipped(parts, [...files, broken.file]));
    expect(examination.bundleFindings).toEqual([]);
    expect(examination.results.map((r) => isHeld(r.findings))).toEqual([false, false, true]);
    expect(examination.results[2]?.reading.contrary).toBe(true);
  });
});

describe('a spectrum that is neither in the document nor a file', () => {
  const { results, files } = twoFiles();
  const [first] = results as [BundleResult];

  it.each<[string, object, RegExp]>([
    ['both', { axis: { encoding: 'even', start: '1', step: '1' } }, /no such field/],
    ['another format', { format: 'other' }, /jcamp-dx, csv/],
    ['no digest', { sha256: undefined }, /sha256 is missing/],
    ['no number of points', { points: undefined }, /points is missing/],
  ])('%s has not the shape of one, and holds the bundle', (_what, over, message) => {
    const spectrum = { ...first.spectrum, ...over } as SpectrumFile;
    const examination = examine(zipped(goodParts([{ ...first, spectrum }]), files.slice(0, 1)));
    expect(examination.bundleFindings.map((f) => f.code)).toEqual(['schema']);
    expect(examination.bundleFindings[0]?.message).toMatch(message);
    expect(examination.bundleFindings[0]?.pointer).toMatch(/^\/results\/0\/spectrum/);
  });
});

describe('an archive changed anywhere', () => {
  const { results, files } = twoFiles();
  const [first] = results as [BundleResult];
  const archive = zipped(goodParts([first]), files.slice(0, 1));
  const digest = examine(archive).canonicalDigest;

  it('says the same, or is refused or held with a reason: never a throw', () => {
    const change = fc.record({ at: fc.nat(archive.length - 1), to: fc.nat(255) });
    fc.assert(
      fc.property(fc.array(change, { minLength: 1, maxLength: 3 }), (changes) => {
        const bytes = Buffer.from(archive);
        for (const { at, to } of changes) bytes[at] = to;
        const examination = examineBundle(bytes, SITE, { now: NOW, validateSchema });
        if (examination.kind === 'unreadable') {
          expect(examination.finding.message).not.toBe('');
          return;
        }
        const isSame = examination.canonicalDigest === digest;
        expect(isSame || isHeld(findingsOf(examination))).toBe(true);
        if (findingsOf(examination).length === 0) expect(isSame).toBe(true);
      }),
      { numRuns: 300 },
    );
  });
});
