import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { isDecimal } from '../../src/formats/decimal.js';
import { readPerformance } from '../../src/site/performance-source.js';
import { findReferenceShifts, REFERENCE_SHIFTS } from '../../src/site/reference-shifts.js';
import { performanceSchema } from '../../src/site/schemas.files.js';
import { describeWithShared, repositoryRoot } from '../support/shared.js';

const NORTHQUAY = readFileSync(
  join(repositoryRoot(), 'mappings', 'northquay', 'performance-checks.yaml'),
  'utf8',
);
const SERIALS = new Set(['NQ-R-0001', 'NQ-R-0002', 'NQ-R-0003', 'NQ-R-0004']);

function faultsOf(from: string | RegExp, to: string): string[] {
  const text = NORTHQUAY.replace(from, to);
  expect(text).not.toBe(NORTHQUAY);
  const { faults, settings } = readPerformance(
    { 'performance-checks.yaml': text },
    SERIALS,
    performanceSchema(),
  );
  expect(settings === null).toBe(faults.length > 0);
  return faults.map(({ file, line, rule }) => `${file}:${line} ${rule}`);
}

describe('performance-checks.yaml', () => {
  test('of the example site is read, and a folder may do without it', () => {
    const texts = { 'performance-checks.yaml': NORTHQUAY };
    const { settings, faults } = readPerformance(texts, SERIALS, performanceSchema());
    expect(faults).toEqual([]);
    expect(settings?.sets[0]).toMatchObject({
      intervalMs: 86_400_000,
      repeats: { max: 1, withinMs: 3_600_000 },
    });
    expect(settings?.standards[0]?.shifts).toContain('1001.4');
    expect(readPerformance({}, SERIALS, performanceSchema())).toEqual({
      settings: null,
      faults: [],
    });
  });

  test('may give the positions of a certificate, with its expiry', () => {
    const certificate =
      'certificate: { number: C-1, issuedBy: Invented, expires: "2027-01-01T00:00:00Z", shifts: ["1001.5"] }';
    const text = NORTHQUAY.replace('published: astm-e1840-polystyrene-1', certificate).replace(
      /peaks:[\s\S]*$/,
      'peaks: [{ shift: "1001.5", tolerance: "1", warning: "1", action: "1" }]\n',
    );
    const { settings, faults } = readPerformance(
      { 'performance-checks.yaml': text },
      SERIALS,
      performanceSchema(),
    );
    expect(faults).toEqual([]);
    expect(settings?.standards[0]).toMatchObject({
      source: 'certificate C-1 of Invented',
      shifts: ['1001.5'],
    });
  });

  test('may say how long a run on one side of a centre may be', () => {
    const text = NORTHQUAY.replace(
      'spectrumTolerance',
      'run: { points: 8, source: Invented }\n    spectrumTolerance',
    ).replace('shift: "1001.4",', 'shift: "1001.4", centre: "1001.6",');
    const texts = { 'performance-checks.yaml': text };
    const { settings, faults } = readPerformance(texts, SERIALS, performanceSchema());
    expect(faults).toEqual([]);
    expect(settings?.sets[0]?.run).toEqual({ points: 8, source: 'Invented' });
    const [standard] = settings?.sets[0]?.standards ?? [];
    expect(standard?.peaks.flatMap((p) => p.centre ?? [])).toEqual(['1001.6']);
  });

  test.each([
    [
      'a run without a centre',
      'spectrumTolerance',
      'run: { points: 8, source: Invented }\n    spectrumTolerance',
      'run-without-centre',
    ],
    [
      'a centre without a run',
      'shift: "1001.4",',
      'shift: "1001.4", centre: "1001.6",',
      'centre-without-run',
    ],
    [
      'a run without a source',
      'spectrumTolerance',
      'run: { points: 8 }\n    spectrumTolerance',
      'schema-required',
    ],
    [
      'a run of four',
      'spectrumTolerance',
      'run: { points: 4, source: Invented }\n    spectrumTolerance',
      'schema-minimum',
    ],
    ['a tolerance left out', ' tolerance: "2.5",', '', 'schema-required'],
    ['a number without quotes', '"2.5"', '2.5', 'schema-type'],
    ['a negative tolerance', '"2.5"', '"-2.5"', 'schema-pattern'],
    ['no source', /source:.*\n/, '\n', 'schema-required'],
    ['no edition', /edition:.*\n/, '\n', 'schema-required'],
    ['a standard without positions', /published:.*\n/, '\n', 'standard-positions'],
    ['a list that nobody published', 'polystyrene-1', 'polystyrene-9', 'unknown-reference-list'],
    ['a standard that is not there', 'standard: polystyrene', 'standard: pvc', 'unknown-standard'],
    ['a band that the list has not', '"1001.4"', '"1001.5"', 'unknown-peak'],
    ['a band twice', '"1001.4"', '"620.90"', 'double-entry'],
    ['a warning past the action', 'warning: "1.5"', 'warning: "2.1"', 'limits-out-of-order'],
    ['an action past the tolerance', 'action: "2.0"', 'action: "2.6"', 'limits-out-of-order'],
    ['an instrument that is not registered', 'NQ-R-0004', 'NQ-R-0009', 'unknown-instrument'],
    ['a time that does not exist', '2020-01-01', '2020-02-30', 'time'],
    ['a field of another name', 'intervalMinutes', 'interval', 'schema-unknown-key'],
  ])('refuses %s, at its line', (_what, from, to, rule) => {
    const faults = faultsOf(from, to);
    expect(faults.some((fault) => fault.endsWith(` ${rule}`))).toBe(true);
    expect(faults.every((fault) => /^performance-checks\.yaml:\d+ /.test(fault))).toBe(true);
  });
});

describe('published reference shifts', () => {
  test('are decimals in ascending order, each list with its source and provenance', () => {
    for (const { source, provenance, shifts } of REFERENCE_SHIFTS) {
      expect(source).toContain('ASTM E1840');
      expect(provenance).toContain('from memory');
      expect(shifts.every((s) => isDecimal(s.shift) && isDecimal(s.deviation))).toBe(true);
      const values = shifts.map(({ shift }) => Number(shift));
      expect(values).toEqual([...values].sort((a, b) => a - b));
    }
  });

  // Source: the reference laser wavelength arithmetic of spectra.md.
  test('lie where the wavelength says: 1001.4 cm-1 from 785 nm is 851.974 nm', () => {
    expect(1e7 / (1e7 / 785 - 1001.4)).toBeCloseTo(851.974, 3);
  });

  describeWithShared('the reference pack', (shared) => {
    const rows = readFileSync(join(shared, 'standards', 'spectra.md'), 'utf8').split('\n');
    test.each([
      ['polystyrene', 'polystyrene (seen'],
      ['cyclohexane', 'cyclohexane (seen'],
      ['naphthalene', 'naphthalene (seen'],
      ['sulfur', 'sulfur (seen'],
      ['bis-methylstyryl-benzene', '1,4-bis'],
      ['paracetamol', 'paracetamol, 4-'],
      ['benzonitrile', 'benzonitrile [mem'],
      ['toluene-acetonitrile', '50/50 toluene'],
    ])('lists %s as the project does', (standard, start) => {
      const row = rows.find((line) => line.startsWith(`| ${start}`)) ?? '';
      const list = findReferenceShifts(`astm-e1840-${standard}-1`);
      const written = row.split('|')[2]?.trim();
      expect(list?.shifts.map((s) => `${s.shift} (${s.deviation})`).join(', ')).toBe(written);
    });
  });
});
