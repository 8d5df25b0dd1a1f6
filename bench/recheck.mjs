// What checking a result costs, its recheck included, beside a bare correlation of two typed arrays.
import { assembleBundle, encodeSpectrum } from '../dist/checks/assemble-bundle.js';
import { bundleCase } from '../dist/checks/bundle-case.js';
import { contentParts } from '../dist/checks/bundle-parts.js';
import { bundleTraces } from '../dist/checks/bundle-traces.js';
import { examineResult, measuredOf } from '../dist/checks/examine-result.js';
import { readSpectrum } from '../dist/checks/read-spectrum.js';
import { indexOfSite } from '../dist/checks/site-index.js';
import { spectralScore } from '../dist/checks/spectral-score.js';
import { synthesiseSpectrum } from '../dist/simulation/synthesise-spectrum.js';
import { formatInZone } from '../dist/simulation/zoned-time.js';
import { limitRow, rowOf } from './rows.mjs';

const POINTS = 2048;
const SPECTRA = 16;
const BASELINE = {
  kind: 'asymmetric-least-squares',
  smoothness: '100000',
  asymmetry: '0.01',
  iterations: 10,
};
const SIZES = { full: { rounds: 7, sliceMs: 1_500 }, quick: { rounds: 3, sliceMs: 300 } };

export const RECHECK_ROWS = [
  { name: 'recheck-result', unit: 'ms of CPU', limit: 0.3, baseline: null },
  { name: 'recheck-result-baseline', unit: 'ms of CPU', limit: 3, baseline: BASELINE },
  { name: 'recheck-score', unit: 'scores/s', target: null },
];

export function recheckRows(wanted, { quick, say }) {
  const { rounds, sliceMs } = SIZES[quick ? 'quick' : 'full'];
  return wanted.map((row) => {
    if (row.limit === undefined) return scoreRow(row, rounds, sliceMs);
    const work = checkingOf(row.baseline);
    cpuMsEach(work, sliceMs);
    const found = Array.from({ length: rounds }, () => cpuMsEach(work, sliceMs));
    say(`${row.name}: ${found.map((ms) => ms.toFixed(4)).join(', ')} ms of CPU a result`);
    return limitRow(row, found);
  });
}

/** The spectrum decoded and digested, the score recomputed, and every rule about one result. */
function checkingOf(baseline) {
  const site = siteWith(baseline);
  const document = bundleOf(site);
  const { results } = document;
  const index = indexOfSite(site);
  const { serial } = document.instrument;
  const measured = (result) =>
    measuredOf(result, readSpectrum(result.spectrum, POINTS), index, serial);
  const all = results.map(measured);
  const traces = bundleTraces(
    results,
    all.map(({ spectrum }) => spectrum),
    all.map(({ signal }) => signal),
    null,
  );
  const about = bundleCase({
    document,
    site: index,
    parts: contentParts(document),
    missing: [],
    fileFaults: [],
    traces,
    performance: [],
    now: Date.now() * 1000,
  });
  return (i) => {
    const at = i % results.length;
    const examined = examineResult(about, measured(results[at]), at, '');
    if (examined.recheck.answer !== 'agrees') throw new Error(examined.recheck.reason);
  };
}

/** CPU time and no wall-clock time: what else the machine does is not the gateway's cost. */
function cpuMsEach(work, sliceMs) {
  const begin = process.cpuUsage();
  const ends = performance.now() + sliceMs;
  let times = 0;
  while (performance.now() < ends) {
    for (let i = 0; i < 20; i++) work(times + i);
    times += 20;
  }
  const { user, system } = process.cpuUsage(begin);
  return (user + system) / 1_000 / times;
}

function scoreRow(row, rounds, sliceMs) {
  const [method] = siteWith(null).methods;
  const curves = Array.from({ length: SPECTRA }, (_, i) => curve(i + 1));
  const score = (i) =>
    spectralScore(method, curves[i % SPECTRA].axis, curves[i % SPECTRA].intensity);
  const bare = (i) =>
    correlation(curves[i % SPECTRA].intensity, curves[(i + 1) % SPECTRA].intensity);
  const found = Array.from({ length: rounds + 1 }, () => ({
    value: 1_000 / cpuMsEach(score, sliceMs / 2),
    ceiling: 1_000 / cpuMsEach(bare, sliceMs / 2),
  }));
  return rowOf(row, found.slice(1));
}

/** Pearson's r of two typed arrays in two passes: what no score can do without. */
function correlation(a, b) {
  let [sumA, sumB] = [0, 0];
  for (let i = 0; i < a.length; i++) {
    sumA += a[i];
    sumB += b[i];
  }
  const [meanA, meanB] = [sumA / a.length, sumB / b.length];
  let [ab, aa, bb] = [0, 0, 0];
  for (let i = 0; i < a.length; i++) {
    const [x, y] = [a[i] - meanA, b[i] - meanB];
    ab += x * y;
    aa += x * x;
    bb += y * y;
  }
  return ab / Math.sqrt(aa * bb);
}

function curve(seed) {
  const step = 1800 / (POINTS - 1);
  const bounds = { axisFrom: 200, axisTo: 2000 + step / 2, step };
  return synthesiseSpectrum({
    material: 'paracetamol',
    ...bounds,
    noise: 15,
    baseline: 3000,
    seed,
  });
}

function siteWith(baseline) {
  const reference = synthesiseSpectrum({
    material: 'paracetamol',
    axisFrom: 200,
    axisTo: 2000,
    step: 1,
    noise: 0,
    baseline: 0,
    seed: 1,
  });
  const method = {
    id: 'ID-B',
    version: '1',
    title: 'ID-B',
    material: 'M-1',
    mode: 'verification',
    algorithm: 'squared-correlation',
    threshold: '0.90',
    scoreTolerance: '0.02',
    range: { from: '250', to: '1800' },
    gridStep: '1',
    derivative: { points: 15, polynomialOrder: 2, order: 1 },
    reference: { ...reference, sha256: 'reference' },
    contentDigest: '0'.repeat(64),
    approvals: [],
    ...(baseline === null
      ? {}
      : {
          treatment: {
            interpolation: 'linear',
            baseline,
            normalisation: 'vector',
            shiftAllowance: '0',
          },
        }),
  };
  const instrument = {
    serial: 'I-1',
    model: 'A',
    firmware: '1',
    laserWavelengthNm: '785',
    area: 'a',
  };
  return {
    site: 'bench',
    environment: 'training',
    simulated: true,
    timeZone: 'Europe/London',
    areas: [],
    instruments: [{ ...instrument, inService: true }],
    materials: [{ code: 'M-1', name: 'M-1', furtherIdentityTests: [] }],
    methods: [method],
    signal: null,
    performance: null,
    limits: { futureToleranceMs: 120_000, clockSkewMs: 120_000, spectrumPointsMax: POINTS },
  };
}

function bundleOf(site) {
  const [method] = site.methods;
  const [{ area, inService, ...instrument }] = site.instruments;
  const at = formatInZone(Date.now() * 1000, site.timeZone);
  const { id, version, algorithm, threshold, contentDigest } = method;
  const results = Array.from({ length: SPECTRA }, (_, i) => {
    const { axis, intensity } = curve(i + 1);
    const { score } = spectralScore(method, axis, intensity);
    return {
      runNumber: i + 1,
      resultId: `R-${i + 1}`,
      mode: 'verification',
      receipt: { scanned: 'GR-1', entry: 'scanned' },
      container: { scanned: `C-${i + 1}`, entry: 'scanned' },
      material: 'M-1',
      lot: 'L-1',
      method: { id, version },
      operatorId: 'op-1',
      measuredAt: at,
      timeSource: 'instrument',
      place: 'dock',
      presentation: { kind: 'direct' },
      acquisition: {},
      decision: 'pass',
      score: { algorithm, value: score.toFixed(4), threshold },
      candidates: [],
      spectrum: encodeSpectrum(axis, intensity, 'float32'),
      remarks: [],
      supersedes: null,
    };
  });
  const { bytes } = assembleBundle({
    bundleId: 'B-1',
    site: site.site,
    createdAt: at,
    syncPc: { id: 'sync' },
    origin: 'simulated',
    environment: site.environment,
    instrument,
    runs: { epoch: 1, first: 1, last: results.length },
    previousBundle: null,
    clocks: { instrument: at, syncPc: at },
    timeZone: site.timeZone,
    performanceChecks: [],
    methods: [{ id, version, digest: contentDigest }],
    operators: [{ id: 'op-1', name: 'Operator (simulated)' }],
    results,
    auditEvents: [],
  });
  return JSON.parse(Buffer.from(bytes).toString('utf8'));
}
