import {
  assembleBundle,
  type BundleParts,
  encodeSpectrum,
} from '../../src/checks/assemble-bundle.js';
import { loadBundleSchema } from '../../src/checks/bundle-schema.files.js';
import type { ReadableExamination } from '../../src/checks/examination.js';
import { examineBundle } from '../../src/checks/examine-bundle.js';
import type { Finding } from '../../src/checks/finding.js';
import { spectralScore } from '../../src/checks/spectral-score.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import type { Decimal } from '../../src/formats/decimal.js';
import { type Instant, parseTimestamp } from '../../src/formats/instant.js';
import type { BundleResult, PerformanceCheck } from '../../src/intake/result-bundle.js';
import { synthesiseSpectrum } from '../../src/simulation/synthesise-spectrum.js';
import { methodContentDigest } from '../../src/site/method-content.js';
import type { Method, SiteFolder } from '../../src/site/site-folder.js';

/** An invented site and bundles that pass every check, to be broken one thing at a time. All simulated. */
export const validateSchema = loadBundleSchema();

export const dec = (text: string): Decimal => text as Decimal;

export function at(text: string): Instant {
  const read = parseTimestamp(text);
  if (read === null) throw new Error(`not a time: ${text}`);
  return read.instant;
}

export const NOW = at('2026-07-01T12:00:00Z');

export function curve(
  material: 'paracetamol' | 'naphthalene',
  seed = 1,
  noise = 20,
): { axis: Float64Array; intensity: Float64Array } {
  return synthesiseSpectrum({
    material,
    axisFrom: 200,
    axisTo: 2000,
    step: 2,
    noise,
    baseline: noise * 50,
    seed,
  });
}

function method(id: string, material: string, over: Partial<Method> = {}): Method {
  const settings = {
    algorithm: 'squared-correlation' as const,
    threshold: dec('0.90'),
    range: { from: dec('250'), to: dec('1800') },
    gridStep: dec('1'),
    derivative: { points: 15, polynomialOrder: 2, order: 1 },
    ...over,
  };
  const reference = {
    ...curve(material === 'M-1' ? 'paracetamol' : 'naphthalene', 7, 0),
    sha256: sha256(`reference of ${material}`),
  };
  return {
    id,
    version: '1',
    title: id,
    material,
    mode: 'verification',
    scoreTolerance: dec('0.02'),
    reference,
    approvals: [{ material, decision: 'D-003' }],
    ...over,
    ...settings,
    contentDigest: methodContentDigest({ ...settings, referenceSha256: reference.sha256 }),
  };
}

const instrument = {
  model: 'Model A (simulated)',
  firmware: '1.0',
  laserWavelengthNm: dec('785'),
  area: 'dock',
};

export const SITE: SiteFolder = {
  site: 'northquay',
  title: 'Northquay (simulated)',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
  areas: [{ id: 'dock', title: 'Dock' }],
  instruments: [
    { serial: 'I-1', ...instrument, inService: true },
    { serial: 'I-2', ...instrument, inService: false },
  ],
  materials: [
    { code: 'M-1', name: 'Paracetamol', furtherIdentityTests: [] },
    { code: 'M-2', name: 'Naphthalene', furtherIdentityTests: [] },
  ],
  methods: [
    method('ID-M-1', 'M-1'),
    method('ID-M-2', 'M-2'),
    method('ID-CLOSED', 'M-1', { algorithm: 'undisclosed' }),
    method('ID-FIND', 'M-1', { mode: 'identification' }),
  ],
  plans: [],
  decisions: [],
  sessions: { idleMs: 900_000, absoluteMs: 43_200_000 },
  limits: {
    bundleBytesMax: 4_000_000,
    resultsPerBundleMax: 20,
    spectrumPointsMax: 2000,
    syncMarginMs: 1000,
    statementValidMs: 600_000,
    futureToleranceMs: 120_000,
    clockSkewMs: 120_000,
  },
  destinations: [],
  secondPerson: { required: true },
  escalation: null,
  performance: {
    standards: [
      {
        id: 'polystyrene',
        source: 'ASTM E1840 (list astm-e1840-polystyrene-1)',
        shifts: [dec('620.9'), dec('1001.4')],
        expires: null,
      },
    ],
    sets: [
      {
        id: 'handheld',
        instruments: ['I-1', 'I-2'],
        from: at('2026-01-01T00:00:00Z'),
        source: 'Invented procedure',
        edition: '1',
        intervalMs: 86_400_000,
        repeats: { max: 1, withinMs: 3_600_000 },
        spectrumTolerance: dec('1.0'),
        standards: [
          {
            standard: 'polystyrene',
            peaks: [
              {
                shift: dec('1001.4'),
                tolerance: dec('2.5'),
                warning: dec('1.5'),
                action: dec('2.0'),
              },
            ],
          },
        ],
      },
    ],
  },
  digest: sha256('site'),
};

export function methodOf(id: string): Method {
  const found = SITE.methods.find((m) => m.id === id);
  if (found === undefined) throw new Error(`no method ${id}`);
  return found;
}

/** Score the registry's method gives a curve, as the instrument would report it. */
export function scoreOf(
  id: string,
  measured: { axis: Float64Array; intensity: Float64Array },
): Decimal {
  const scored = spectralScore(methodOf(id), measured.axis, measured.intensity);
  if (scored.kind !== 'scored') throw new Error(scored.reason);
  return dec(scored.score.toFixed(4));
}

/** A passing result of run `runNumber`; its noise follows from the seed, since no two measurements share theirs. */
export function goodResult(
  runNumber = 1,
  over: Partial<BundleResult> = {},
  seed = runNumber,
): BundleResult {
  const measured = curve('paracetamol', seed);
  return {
    runNumber,
    resultId: `R-${runNumber}`,
    mode: 'verification',
    receipt: { scanned: 'GR-1', entry: 'scanned' },
    container: { scanned: `C-${runNumber}`, entry: 'scanned' },
    material: 'M-1',
    lot: 'L-1',
    method: { id: 'ID-M-1', version: '1' },
    operatorId: 'op-1',
    measuredAt: `2026-07-01T12:${String(10 + (runNumber % 40)).padStart(2, '0')}:00+01:00`,
    timeSource: 'instrument',
    place: 'dock',
    presentation: { kind: 'direct' },
    acquisition: {},
    decision: 'pass',
    score: {
      algorithm: 'squared-correlation',
      value: scoreOf('ID-M-1', measured),
      threshold: dec('0.90'),
    },
    candidates: [],
    spectrum: encodeSpectrum(measured.axis, measured.intensity, 'float64'),
    remarks: [],
    supersedes: null,
    ...over,
  };
}

export function goodCheck(
  runNumber: number,
  over: Partial<PerformanceCheck> = {},
): PerformanceCheck {
  return {
    runNumber,
    checkId: `P-${runNumber}`,
    checkedAt: '2026-07-01T12:05:00+01:00',
    standard: 'polystyrene',
    shifts: [{ expected: dec('1001.4'), observed: dec('1001.6') }],
    outcome: 'pass',
    spectrum: null,
    ...over,
  };
}

export function goodParts(
  results: readonly BundleResult[] = [goodResult(1)],
  over: Partial<BundleParts> = {},
): BundleParts {
  const checks = over.performanceChecks ?? [];
  const runs = [...results, ...checks].map((entry) => entry.runNumber);
  return {
    bundleId: 'B-1',
    site: 'northquay',
    createdAt: '2026-07-01T11:59:00Z',
    syncPc: { id: 'sync-1' },
    origin: 'simulated',
    environment: 'training',
    instrument: {
      serial: 'I-1',
      model: instrument.model,
      firmware: instrument.firmware,
      laserWavelengthNm: instrument.laserWavelengthNm,
    },
    runs: {
      epoch: 1,
      first: runs.length === 0 ? null : Math.min(...runs),
      last: runs.length === 0 ? 0 : Math.max(...runs),
    },
    previousBundle: null,
    clocks: { instrument: '2026-07-01T11:59:01Z', syncPc: '2026-07-01T11:59:00Z' },
    timeZone: 'Europe/London',
    performanceChecks: [],
    methods: SITE.methods.map((m) => ({ id: m.id, version: m.version, digest: m.contentDigest })),
    operators: [{ id: 'op-1', name: 'Operator One (simulated)' }],
    results,
    auditEvents: [],
    ...over,
  };
}

export function examine(bytes: Uint8Array, site = SITE, now = NOW): ReadableExamination {
  const examination = examineBundle(bytes, site, { now, validateSchema });
  if (examination.kind === 'unreadable') throw new Error(examination.finding.message);
  return examination;
}

export function examineParts(parts: BundleParts, site = SITE, now = NOW): ReadableExamination {
  return examine(assembleBundle(parts).bytes, site, now);
}

/** Everything found, bundle first. */
export function findingsOf(examination: ReadableExamination): readonly Finding[] {
  return [...examination.bundleFindings, ...examination.results.flatMap((r) => r.findings)];
}

/** `code pointer` of everything found, for exact comparison. */
export function placesOf(findings: readonly Finding[]): readonly string[] {
  return findings.map((finding) => `${finding.code} ${finding.pointer}`);
}

/** Examines one result that differs from a good one, and lists what was found about it. */
export function placesOfResult(over: Partial<BundleResult>, site = SITE): readonly string[] {
  return placesOf(findingsOf(examineParts(goodParts([goodResult(1, over)]), site)));
}

/** The same for a bundle that differs in its header. */
export function placesOfBundle(over: Partial<BundleParts>, site = SITE): readonly string[] {
  return placesOf(findingsOf(examineParts(goodParts(undefined, over), site)));
}

/** Bytes of a document changed behind the manifest's back. */
export function tampered(
  parts: BundleParts,
  change: (document: Record<string, unknown>) => void,
): Uint8Array {
  const document = JSON.parse(Buffer.from(assembleBundle(parts).bytes).toString('utf8'));
  change(document as Record<string, unknown>);
  return Buffer.from(JSON.stringify(document));
}
