import fc from 'fast-check';
import type { SpectrumValues } from '../../src/checks/spectrum-values.js';
import type { Sha256 } from '../../src/formats/canonical-json.js';
import type { Decimal } from '../../src/formats/decimal.js';
import { formatInstant, parseTimestamp } from '../../src/formats/instant.js';
import type { ScannedLabel } from '../../src/intake/result-bundle.js';
import type { ResultRecord } from '../../src/records/result-record.js';
import { DECISIONS, ENVIRONMENTS } from '../../src/site/vocabulary.js';
import { decimal, valuesDigest } from './sample-record.js';

/**
 * Records as wide as their types allow: any Unicode, control characters and odd blanks in every text,
 * decimals with every number of digits, every optional field present or absent.
 */
const oddText = fc.oneof(
  fc.string({ unit: 'binary', maxLength: 12 }),
  fc.string({ unit: 'grapheme', maxLength: 12 }),
  fc
    .array(
      fc.constantFrom(
        ' ',
        '  ',
        '\t',
        '\n',
        '\r',
        '\r\n',
        '\u0000',
        '\u001d',
        '\u00a0',
        '\ufffe',
        '\ufeff',
        '<',
        '&',
        ']]>',
        '"',
        "'",
        'json:"',
        '=1+1',
        ',',
        ';',
        'é',
        '\u{1f6e2}',
      ),
      { maxLength: 8 },
    )
    .map((parts) => parts.join('')),
  fc.constantFrom('', 'json:', 'json:"x"', '-', 'null', '0012', '  padded  '),
);

const oddDecimal: fc.Arbitrary<Decimal> = fc
  .tuple(
    fc.boolean(),
    fc.stringMatching(/^(?:0|[1-9][0-9]{0,18})$/),
    fc.option(fc.stringMatching(/^[0-9]{1,18}$/), { nil: null }),
  )
  .map(([negative, whole, fraction]) =>
    decimal(`${negative ? '-' : ''}${whole}${fraction === null ? '' : `.${fraction}`}`),
  );

const sha: fc.Arbitrary<Sha256> = fc.stringMatching(/^[0-9a-f]{64}$/).map((text) => text as Sha256);
const count = fc.integer({ min: 1, max: Number.MAX_SAFE_INTEGER });

const label: fc.Arbitrary<ScannedLabel | null> = fc.option(
  fc.record({
    scanned: oddText,
    entry: fc.constantFrom('scanned', 'typed', 'chosen', 'carried-over'),
  }),
  { nil: null },
);

const reported = fc
  .tuple(
    fc.date({
      min: new Date('1971-01-01T00:00:00Z'),
      max: new Date('2099-12-31T00:00:00Z'),
      noInvalidDate: true,
    }),
    fc.stringMatching(/^[0-9]{1,9}$/),
    fc.constantFrom('Z', '+01:00', '-11:30', '+14:00', '+00:00'),
  )
  .map(([date, fraction, zone]) => `${date.toISOString().slice(0, 19)}.${fraction}${zone}`);

export const arbitraryValues: fc.Arbitrary<SpectrumValues | null> = fc.option(
  fc
    .record({
      points: fc.integer({ min: 1, max: 40 }),
      axis: fc.constantFrom('even', 'float32', 'float64'),
      isWide: fc.boolean(),
      start: oddDecimal,
      step: oddDecimal,
      seed: fc.array(fc.double(), { minLength: 80, maxLength: 80 }),
      intensityUnit: fc.constantFrom('counts', 'counts-per-second', 'arbitrary'),
    })
    .map(({ points, axis, isWide, start, step, seed, intensityUnit }): SpectrumValues => {
      const shifts = seed.slice(0, points);
      const intensities = seed.slice(40, 40 + points);
      const first = Number(start);
      return {
        axis:
          axis === 'even'
            ? Float64Array.from({ length: points }, (_, index) => first + index * Number(step))
            : axis === 'float32'
              ? Float32Array.from(shifts)
              : Float64Array.from(shifts),
        intensity: isWide ? Float64Array.from(intensities) : Float32Array.from(intensities),
        even: axis === 'even' ? { start, step } : null,
        intensityUnit,
      };
    }),
  { nil: null },
);

export interface RecordAndValues {
  readonly record: ResultRecord;
  readonly values: SpectrumValues | null;
}

const orNull = <T>(arbitrary: fc.Arbitrary<T>): fc.Arbitrary<T | null> =>
  fc.option(arbitrary, { nil: null });

const withoutSpectrum: fc.Arbitrary<ResultRecord> = fc
  .record({
    site: oddText,
    resultId: oddText,
    revision: count,
    environment: fc.constantFrom(...ENVIRONMENTS),
    origin: fc.constantFrom('instrument' as const, 'packed' as const, 'simulated' as const),
    bundle: fc.record({ bundleId: oddText, sha256: sha, pointer: oddText, syncPc: oddText }),
    instrument: fc.record({
      serial: oddText,
      model: oddText,
      firmware: oddText,
      laserWavelengthNm: oddDecimal,
    }),
    run: fc.record({ epoch: count, number: count }),
    mode: fc.constantFrom('verification' as const, 'identification' as const),
    receipt: label,
    container: label,
    material: orNull(oddText),
    lot: orNull(oddText),
    method: fc.record({ id: oddText, version: oddText, digest: orNull(sha) }),
    operator: fc.record({ id: oddText, name: orNull(oddText) }),
    times: fc.tuple(reported, reported),
    zone: oddText,
    source: fc.constantFrom('instrument' as const, 'sync-pc' as const, 'assumed' as const),
    place: fc.constantFrom(
      'dock' as const,
      'receiving' as const,
      'dispensary' as const,
      'laboratory' as const,
    ),
    presentation: fc.record({
      kind: fc.constantFrom(
        'direct' as const,
        'through-packaging' as const,
        'closed-chamber' as const,
        'immersion-probe' as const,
        'other' as const,
      ),
      between: orNull(oddText),
      probeCover: orNull(oddText),
    }),
    acquisition: fc.record(
      {
        integrationTimeMs: oddDecimal,
        accumulations: fc.integer({ min: 1, max: 1_000_000 }),
        laserPowerMw: oddDecimal,
        backgroundSubtracted: fc.boolean(),
      },
      { requiredKeys: [] },
    ),
    decision: fc.constantFrom(...DECISIONS),
    score: orNull(
      fc.record({ algorithm: oddText, value: oddDecimal, threshold: orNull(oddDecimal) }),
    ),
    candidates: fc.array(fc.record({ material: oddText, score: oddDecimal }), { maxLength: 3 }),
    recheck: fc.record({
      answer: fc.constantFrom('agrees' as const, 'disagrees' as const, 'not-recomputable' as const),
      score: orNull(oddDecimal),
      reason: oddText,
    }),
    remarks: fc.array(fc.record({ name: oddText, text: oddText }), { maxLength: 3 }),
    supersedes: orNull(fc.record({ resultId: oddText, reason: oddText })),
    findings: fc.array(oddText, { maxLength: 3 }),
  })
  .map(({ times: [measured, received], zone, source, bundle, ...rest }) => ({
    schema: 'drumline-result-record' as const,
    version: '1.0' as const,
    ...rest,
    bundle: { ...bundle, receivedAt: utc(received) },
    measuredAt: { reported: measured, utc: utc(measured), source, zone },
    spectrum: null,
  }));

export const arbitraryRecord: fc.Arbitrary<RecordAndValues> = fc
  .tuple(withoutSpectrum, arbitraryValues)
  .map(([record, values]) => {
    if (values === null) return { record, values };
    const { axis, intensity, even, intensityUnit } = values;
    const spectrum = {
      points: axis.length,
      axisWidth:
        even !== null
          ? ('even' as const)
          : axis instanceof Float32Array
            ? ('float32' as const)
            : ('float64' as const),
      intensityWidth:
        intensity instanceof Float32Array ? ('float32' as const) : ('float64' as const),
      axisFirst: String(axis[0]),
      axisLast: String(axis.at(-1)),
      intensityUnit,
      sha256: valuesDigest(values),
    };
    return { record: { ...record, spectrum }, values };
  });

function utc(text: string): string {
  const parsed = parseTimestamp(text);
  if (parsed === null) throw new Error(`not a timestamp: ${text}`);
  return formatInstant(parsed.instant);
}
