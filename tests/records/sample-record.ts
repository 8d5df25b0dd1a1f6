import { createHash } from 'node:crypto';
import type { SpectrumValues } from '../../src/checks/spectrum-values.js';
import type { Sha256 } from '../../src/formats/canonical-json.js';
import type { Decimal } from '../../src/formats/decimal.js';
import type { BundleResult, ResultBundle } from '../../src/intake/result-bundle.js';
import type { ResultRecord } from '../../src/records/result-record.js';

/** Invented, labelled simulated: no instrument measured these values. */
export const decimal = (text: string): Decimal => text as Decimal;
export const digestText = (character: string): Sha256 => character.repeat(64) as Sha256;

/** Digest as `SpectrumSummary.sha256` defines it, computed here without the project's own code. */
export function valuesDigest(values: SpectrumValues): Sha256 {
  const hash = createHash('sha256');
  for (const series of [values.axis, values.intensity]) {
    const bytes = Buffer.alloc(series.length * 8);
    series.forEach((value, index) => {
      bytes.writeDoubleLE(value, index * 8);
    });
    hash.update(bytes);
  }
  return hash.digest('hex') as Sha256;
}

export const SAMPLE_VALUES: SpectrumValues = {
  axis: Float64Array.from([200, 201.5, 203, 204.5]),
  intensity: Float32Array.from([12.5, -1, 1001.25, 0.15625]),
  even: { start: decimal('200.0'), step: decimal('1.50') },
  intensityUnit: 'counts',
};

export const SAMPLE_RECORD: ResultRecord = {
  schema: 'drumline-result-record',
  version: '1.0',
  site: 'northquay',
  resultId: 'NQ-R-0001:1:17',
  revision: 1,
  environment: 'training',
  origin: 'simulated',
  bundle: {
    bundleId: 'b-0001',
    sha256: digestText('a'),
    receivedAt: '2026-03-04T08:20:00.000000Z',
    pointer: '/results/0',
    syncPc: 'sync-east-1',
  },
  instrument: {
    serial: 'NQ-R-0001',
    model: 'Dockside R1 (simulated)',
    firmware: '1.4.2',
    laserWavelengthNm: decimal('785.0'),
  },
  run: { epoch: 1, number: 17 },
  mode: 'verification',
  receipt: { scanned: 'GR-2041/10', entry: 'scanned' },
  container: { scanned: 'DRUM  07 ', entry: 'typed' },
  material: 'NQ-1001',
  lot: 'L-55A',
  method: { id: 'ID-NQ-1001', version: '1', digest: digestText('b') },
  operator: { id: 'op-3', name: 'Operator Three (simulated)' },
  measuredAt: {
    reported: '2026-03-04T09:15:30.250+01:00',
    utc: '2026-03-04T08:15:30.250000Z',
    source: 'instrument',
    zone: 'Europe/Paris',
  },
  place: 'dock',
  presentation: {
    kind: 'through-packaging',
    between: 'polyethylene liner < 0.1 mm & tape',
    probeCover: null,
  },
  acquisition: {
    integrationTimeMs: decimal('2500.0'),
    accumulations: 3,
    laserPowerMw: decimal('80'),
    backgroundSubtracted: true,
  },
  decision: 'pass',
  score: {
    algorithm: 'squared-correlation',
    value: decimal('0.9870'),
    threshold: decimal('0.90'),
  },
  candidates: [
    { material: 'NQ-1001', score: decimal('0.9870') },
    { material: 'NQ-1004', score: decimal('0.20') },
  ],
  recheck: {
    answer: 'agrees',
    score: decimal('0.986512'),
    reason: 'within 0.02 of the reported score',
  },
  spectrum: {
    points: 4,
    axisWidth: 'even',
    intensityWidth: 'float32',
    axisFirst: '200',
    axisLast: '204.5',
    intensityUnit: 'counts',
    sha256: valuesDigest(SAMPLE_VALUES),
  },
  remarks: [{ name: 'note', text: 'lid dented,\n"taped"' }],
  supersedes: null,
  findings: ['container-not-scanned'],
};

export const SAMPLE_RESULT: BundleResult = {
  runNumber: 17,
  resultId: SAMPLE_RECORD.resultId,
  mode: 'verification',
  receipt: SAMPLE_RECORD.receipt,
  container: SAMPLE_RECORD.container,
  material: 'NQ-1001',
  lot: 'L-55A',
  method: { id: 'ID-NQ-1001', version: '1' },
  operatorId: 'op-3',
  measuredAt: '2026-03-04T09:15:30.250+01:00',
  timeSource: 'instrument',
  place: 'dock',
  presentation: { kind: 'through-packaging', between: 'polyethylene liner < 0.1 mm & tape' },
  acquisition: SAMPLE_RECORD.acquisition,
  decision: 'pass',
  score: SAMPLE_RECORD.score,
  candidates: SAMPLE_RECORD.candidates,
  spectrum: {
    points: 4,
    axis: { encoding: 'even', start: decimal('200.0'), step: decimal('1.50') },
    intensity: { encoding: 'base64', width: 'float32', data: 'AABIQQAAgL8AUHpEAAAgPg==' },
    intensityUnit: 'counts',
  },
  remarks: SAMPLE_RECORD.remarks,
  supersedes: null,
};

export const SAMPLE_BUNDLE: ResultBundle = {
  format: 'drumline-result-bundle',
  version: '1.0',
  bundleId: 'b-0001',
  site: 'northquay',
  createdAt: '2026-03-04T09:19:00+01:00',
  syncPc: { id: 'sync-east-1' },
  origin: 'simulated',
  environment: 'training',
  instrument: SAMPLE_RECORD.instrument,
  runs: { epoch: 1, first: 17, last: 17 },
  previousBundle: null,
  clocks: { instrument: '2026-03-04T09:18:00+01:00', syncPc: '2026-03-04T09:18:00+01:00' },
  timeZone: 'Europe/Paris',
  performanceChecks: [],
  methods: [{ id: 'ID-NQ-1001', version: '1', digest: digestText('b') }],
  operators: [{ id: 'op-3', name: 'Operator Three (simulated)' }],
  results: [SAMPLE_RESULT],
  auditEvents: [],
  manifest: { counts: { results: 1, performanceChecks: 0, auditEvents: 0 }, parts: [] },
};
