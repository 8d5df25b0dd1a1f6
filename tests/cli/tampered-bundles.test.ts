import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { assembleBundle, encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { registerCheck } from '../../src/cli/check.command.js';
import { registerPack } from '../../src/cli/pack.command.js';
import type {
  BundleResult,
  PerformanceCheck,
  ResultBundle,
} from '../../src/intake/result-bundle.js';
import { scoreCurve } from '../../src/simulation/score-curve.js';
import { synthesiseSpectrum } from '../../src/simulation/synthesise-spectrum.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { dec } from '../checks/fixture.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';

let folder: string;
let out: string;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'drumline-tampered-'));
  vi.spyOn(process.stderr, 'write').mockReturnValue(true);
  vi.spyOn(process.stdout, 'write').mockImplementation((text) => {
    out += String(text);
    return true;
  });
});

afterEach(() => {
  vi.restoreAllMocks();
  rmSync(folder, { recursive: true, force: true });
  process.exitCode = undefined;
});

async function run(...args: string[]): Promise<unknown> {
  out = '';
  process.exitCode = undefined;
  const program = new Command('drumline').exitOverride();
  registerPack(program);
  registerCheck(program);
  await program.parseAsync(args, { from: 'user' });
  return JSON.parse(out.trim().split('\n').at(-1) ?? '');
}

/** Simulated, as the instrument of the scenario measures. */
const trace = (material: 'paracetamol' | 'naphthalene', seed: number, over: object = {}) =>
  synthesiseSpectrum({
    material,
    axisFrom: 200,
    axisTo: 2000,
    step: 2,
    noise: 20,
    baseline: 1000,
    seed,
    ...over,
  });
const good = trace('paracetamol', 1);
const other = trace('naphthalene', 4);
/** Of a mixture: its signal is good, and it scores below the threshold. */
const mixture = trace('paracetamol', 2);
const poor = {
  axis: mixture.axis,
  intensity: mixture.intensity.map((y, i) => y + 0.7 * (other.intensity[i] ?? 0)),
};

/** Two drums of paracetamol, honestly reported: one passes, one fails. Packed into a bundle by the command. */
async function packed(): Promise<ResultBundle> {
  for (const [name, { axis, intensity }] of Object.entries({ good, poor })) {
    const lines = Array.from(axis, (x, i) => `${x},${intensity[i]}\n`);
    writeFileSync(join(folder, `${name}.csv`), lines.join(''));
  }
  const site = await loadSiteFolder(NORTHQUAY, {});
  const method = site.ok ? site.site.methods[0] : undefined;
  if (method === undefined) throw new Error('Northquay cannot be read');
  const head = 'run,file,receipt,material,lot,container,method,operator,measured_at,decision,score';
  const row = (n: number, file: string, decision: string, score: string) =>
    `${n},${file}.csv,GR-1,NQ-1001,L-1,C-${n},ID-NQ-1001,op-1,2026-03-04T11:0${n}:00+00:00,${decision},${score}`;
  const sheet = join(folder, 'runs.csv');
  writeFileSync(
    sheet,
    [
      head,
      row(1, 'good', 'pass', scoreCurve(method, good) ?? ''),
      row(2, 'poor', 'fail', scoreCurve(method, poor) ?? ''),
    ].join('\n'),
  );
  const bundle = join(folder, 'bundle.json');
  await run(
    ...['pack', '--sheet', sheet, '--spectra', folder, '--site-folder', NORTHQUAY],
    ...['--instrument', 'NQ-R-0001', '--out', bundle, '--created-at', '2026-03-04T12:00:00+00:00'],
    '--json',
  );
  return JSON.parse(readFileSync(bundle, 'utf8')) as ResultBundle;
}

interface Checked {
  readonly code: string;
  readonly severity: string;
  readonly pointer: string;
  readonly numbers?: Readonly<Record<string, string>>;
}

/** What `drumline check` finds in a bundle. */
async function findingsOf(bytes: Uint8Array): Promise<readonly Checked[]> {
  const file = join(folder, 'tampered.json');
  writeFileSync(file, bytes);
  const answer = (await run('check', file, '--site-folder', NORTHQUAY, '--json')) as {
    files: { findings: Checked[] }[];
  };
  return answer.files[0]?.findings ?? [];
}

async function heldOf(bytes: Uint8Array): Promise<readonly Checked[]> {
  return (await findingsOf(bytes)).filter(({ severity }) => severity === 'hold');
}

/** Places of what is found in a copy and not in the honest bundle it was made of, remarks too. */
async function addedTo(bundle: ResultBundle, copy: Uint8Array): Promise<readonly string[]> {
  const placeOf = ({ code, pointer }: Checked) => `${code} ${pointer}`;
  const honest = new Set((await findingsOf(assembleBundle(bundle).bytes)).map(placeOf));
  return (await findingsOf(copy)).map(placeOf).filter((place) => !honest.has(place));
}

const CHECK_AFTER: PerformanceCheck = {
  runNumber: 3,
  checkId: 'P-3',
  checkedAt: '2026-03-04T11:10:00+00:00',
  standard: 'polystyrene',
  shifts: [620.9, 795.8, 1001.4, 1031.8, 1155.3, 1450.5, 1583.1, 1602.3].map((expected) => ({
    expected: dec(expected.toFixed(1)),
    observed: dec((expected + 0.2).toFixed(1)),
  })),
  outcome: 'pass',
  spectrum: null,
};

/** A copy with a performance check behind its runs. */
function checkedAfter(bundle: ResultBundle, over: Partial<PerformanceCheck>): Uint8Array {
  const { format: _format, version: _version, manifest: _manifest, ...parts } = bundle;
  const runs = { ...parts.runs, last: CHECK_AFTER.runNumber };
  return assembleBundle({ ...parts, runs, performanceChecks: [{ ...CHECK_AFTER, ...over }] }).bytes;
}

/** A copy whose result was changed by somebody who could make the manifest anew. */
function forged(bundle: ResultBundle, index: number, over: Partial<BundleResult>): Uint8Array {
  const { format: _format, version: _version, manifest: _manifest, ...parts } = bundle;
  const results = bundle.results.map((result, i) =>
    i === index ? { ...result, ...over } : result,
  );
  return assembleBundle({ ...parts, results }).bytes;
}

describe('a tampered copy of a packed bundle', () => {
  it('stands beside the honest one, which nothing holds', async () => {
    const bundle = await packed();
    expect(bundle.results.map(({ decision }) => decision)).toEqual(['pass', 'fail']);
    expect(await heldOf(assembleBundle(bundle).bytes)).toEqual([]);
  });

  it('is told with the numbers, the limit and where it is declared', async () => {
    const bundle = await packed();
    const score = { ...bundle.results[1]?.score, value: dec('0.9500') } as never;
    const [finding] = await heldOf(forged(bundle, 1, { decision: 'pass', score }));
    expect(finding?.numbers).toEqual({
      recomputed: expect.stringMatching(/^0\.\d{6}$/),
      reported: '0.9500',
      threshold: '0.90',
      tolerance: '0.02',
      source: 'ID-NQ-1001 version 1',
    });
  });

  it.each<[string, number, (bundle: ResultBundle) => Partial<BundleResult>, string]>([
    [
      'with a score raised over the threshold',
      1,
      ({ results }) => ({
        decision: 'pass',
        score: { ...results[1]?.score, value: dec('0.9500') } as never,
      }),
      'recheck-disagrees /results/1/score/value',
    ],
    [
      'with the spectrum of another substance',
      0,
      () => {
        const { axis, intensity } = trace('naphthalene', 3);
        return { spectrum: encodeSpectrum(axis, intensity, 'float64') };
      },
      'recheck-other-material /results/0/spectrum',
    ],
    [
      'with its axis shifted',
      0,
      () => ({
        spectrum: encodeSpectrum(
          good.axis.map((x) => x + 8),
          good.intensity,
          'float64',
        ),
      }),
      'recheck-axis /results/0/spectrum/axis',
    ],
    [
      'with a negative integration time',
      0,
      () => ({ acquisition: { integrationTimeMs: dec('-800') } }),
      'acquisition-impossible /results/0/acquisition/integrationTimeMs',
    ],
    [
      'with a saturated trace',
      0,
      () => {
        const { axis, intensity } = good;
        const top = Math.max(...intensity);
        const cut = intensity.map((y) => Math.min(65_535, (y * 70_000) / top));
        return { spectrum: { ...encodeSpectrum(axis, cut, 'float64'), intensityUnit: 'counts' } };
      },
      'signal-saturated /results/0/spectrum/intensity',
    ],
  ])(
    '%s is named by its own code at its own place, and by nothing else',
    async (_name, index, change, place) => {
      const bundle = await packed();
      expect(await addedTo(bundle, forged(bundle, index, change(bundle)))).toEqual([place]);
    },
  );

  it('with a spectrum copied between containers is named at both of them, and by nothing else', async () => {
    const bundle = await packed();
    const [first] = bundle.results;
    if (first === undefined) throw new Error('nothing was packed');
    const { spectrum, score, decision } = first;
    expect(await addedTo(bundle, forged(bundle, 1, { spectrum, score, decision }))).toEqual([
      'spectrum-duplicate /results/0/spectrum',
      'spectrum-duplicate /results/1/spectrum',
    ]);
  });

  it('with a failed performance check behind its runs is named at its outcome, and by nothing else', async () => {
    const bundle = await packed();
    const off = CHECK_AFTER.shifts.map(({ expected }) => ({
      expected,
      observed: dec((Number(expected) + 4).toFixed(1)),
    }));
    expect(await addedTo(bundle, checkedAfter(bundle, {}))).toEqual([]);
    for (const over of [{ outcome: 'fail' }, { outcome: 'fail', shifts: off }] as const) {
      expect(await addedTo(bundle, checkedAfter(bundle, over))).toEqual([
        'performance-check-failed /performanceChecks/0/outcome',
      ]);
    }
  });

  it('with a check that claims to have passed is named at the band that is off, and at the claim', async () => {
    const bundle = await packed();
    const shifts = CHECK_AFTER.shifts.map((shift, i) =>
      i === 2 ? { ...shift, observed: dec('1005.4') } : shift,
    );
    expect(await addedTo(bundle, checkedAfter(bundle, { shifts }))).toEqual([
      'performance-out-of-tolerance /performanceChecks/0/shifts/2/observed',
      'performance-outcome-disagrees /performanceChecks/0/outcome',
    ]);
  });
});
