import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { assembleBundle, encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { registerCheck } from '../../src/cli/check.command.js';
import { registerPack } from '../../src/cli/pack.command.js';
import type { BundleResult, ResultBundle } from '../../src/intake/result-bundle.js';
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
/** So noisy that it scores below the threshold. */
const poor = trace('paracetamol', 2, { noise: 900 });

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

/** What `drumline check` holds of a bundle. */
async function heldOf(bytes: Uint8Array): Promise<readonly Checked[]> {
  const file = join(folder, 'tampered.json');
  writeFileSync(file, bytes);
  const answer = (await run('check', file, '--site-folder', NORTHQUAY, '--json')) as {
    files: { findings: Checked[] }[];
  };
  return answer.files[0]?.findings.filter(({ severity }) => severity === 'hold') ?? [];
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
  ])(
    '%s is named by its own code at its own place, and by nothing else',
    async (_name, index, change, place) => {
      const bundle = await packed();
      const held = await heldOf(forged(bundle, index, change(bundle)));
      expect(held.map(({ code, pointer }) => `${code} ${pointer}`)).toEqual([place]);
    },
  );
});
