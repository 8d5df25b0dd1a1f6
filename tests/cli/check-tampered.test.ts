import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import { listRules } from '../../src/checks/rule-list.js';
import { registerCheck } from '../../src/cli/check.command.js';
import { registerPack } from '../../src/cli/pack.command.js';
import type { BundleResult, ResultBundle } from '../../src/intake/result-bundle.js';
import { curve } from '../checks/fixture.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';

/** `drumline check` on copies of a packed bundle, each tampered with in one way. The spectra are simulated. */

const HEADER = 'run,file,receipt,material,lot,container,method,operator,measured_at,decision,score';

let folder: string;
let out: string;
let err: string;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'drumline-tampered-'));
  vi.spyOn(process.stdout, 'write').mockImplementation((text) => {
    out += String(text);
    return true;
  });
  vi.spyOn(process.stderr, 'write').mockImplementation((text) => {
    err += String(text);
    return true;
  });
});

afterEach(() => {
  vi.restoreAllMocks();
  rmSync(folder, { recursive: true, force: true });
  process.exitCode = undefined;
});

async function run(...args: string[]) {
  out = '';
  err = '';
  process.exitCode = undefined;
  const program = new Command('drumline').exitOverride();
  registerPack(program);
  registerCheck(program);
  await program.parseAsync(args, { from: 'user' });
  const last = out.trim().split('\n').at(-1) ?? '';
  return {
    exit: Number(process.exitCode ?? 0),
    json: (last.startsWith('{') ? JSON.parse(last) : null) as {
      readonly files: readonly {
        readonly outcome: string;
        readonly findings: readonly {
          readonly code: string;
          readonly severity: string;
          readonly pointer: string;
          readonly numbers: Readonly<Record<string, string>>;
          readonly limit: { readonly value: string; readonly source: string } | null;
        }[];
        readonly noLimit: readonly string[];
      }[];
    } | null,
  };
}

/** Three drums packed, then said to come from single frames with scanned labels, so that nothing is remarked. */
async function packed(): Promise<ResultBundle> {
  const rows = [1, 2, 3].map((n) => {
    const { axis, intensity } = curve('paracetamol', n, 15);
    const lines = Array.from(axis, (x, i) => `${x},${intensity[i]?.toFixed(3)}\n`);
    writeFileSync(join(folder, `${n}.csv`), lines.join(''));
    return `${n},${n}.csv,GR-1,NQ-1001,L-1,D-${n},ID-NQ-1001,op-1,2026-03-04T11:0${n}:00+00:00,pass,0.99`;
  });
  const sheet = join(folder, 'runs.csv');
  writeFileSync(sheet, [HEADER, ...rows, ''].join('\n'));
  const bundle = join(folder, 'bundle.json');
  const options = ['--sheet', sheet, '--spectra', folder, '--site-folder', NORTHQUAY];
  const when = ['--created-at', '2026-03-04T12:00:00+00:00', '--instrument', 'NQ-R-0001'];
  await run('pack', ...options, ...when, '--out', bundle);
  const document = JSON.parse(readFileSync(bundle, 'utf8')) as ResultBundle;
  return {
    ...document,
    results: document.results.map((result) => ({
      ...result,
      receipt: { scanned: 'GR-1', entry: 'scanned' as const },
      container: { scanned: result.container?.scanned ?? '', entry: 'scanned' as const },
      timeSource: 'instrument' as const,
      acquisition: { accumulations: 1 },
      spectrum: asCounts(result.spectrum),
    })),
  };
}

function asCounts(spectrum: BundleResult['spectrum']): BundleResult['spectrum'] {
  return spectrum === null || 'file' in spectrum
    ? spectrum
    : { ...spectrum, intensityUnit: 'counts' };
}

/** Places of what the check finds in the bundle made of these results; the manifest fits them. */
async function placesIn(document: ResultBundle, results: readonly BundleResult[]) {
  const { format: _f, version: _v, manifest: _m, ...parts } = document;
  const file = join(folder, 'tampered.json');
  writeFileSync(file, assembleBundle({ ...parts, results }).bytes);
  const { exit, json } = await run('check', file, '--site-folder', NORTHQUAY, '--json');
  const findings = json?.files[0]?.findings ?? [];
  return { exit, findings, places: findings.map((f) => `${f.code} ${f.pointer}`), json };
}

function intensities(result: BundleResult): Float64Array {
  const { spectrum } = result;
  if (spectrum === null || 'file' in spectrum || spectrum.intensity.encoding !== 'base64') {
    throw new Error('expected base64 intensities');
  }
  const bytes = Uint8Array.from(Buffer.from(spectrum.intensity.data, 'base64'));
  return new Float64Array(bytes.buffer);
}

function withIntensities(result: BundleResult, values: Float64Array): BundleResult {
  const { spectrum } = result;
  if (spectrum === null || 'file' in spectrum) throw new Error('expected values');
  const data = Buffer.from(values.buffer).toString('base64');
  const intensity = { encoding: 'base64' as const, width: 'float64' as const, data };
  return { ...result, spectrum: { ...spectrum, intensity } };
}

describe('drumline check on a tampered copy of a packed bundle', () => {
  it('finds nothing in the bundle itself', async () => {
    const document = await packed();
    expect(await placesIn(document, document.results)).toMatchObject({ exit: 0, places: [] });
  });

  it('names a spectrum copied between containers, at both of them and nowhere else', async () => {
    const document = await packed();
    const [first, second, third] = document.results;
    if (!first || !second || !third) throw new Error('expected three results');
    const results = [first, second, { ...third, spectrum: first.spectrum, score: first.score }];
    expect(await placesIn(document, results)).toMatchObject({
      exit: 1,
      places: ['spectrum-duplicate /results/0/spectrum', 'spectrum-duplicate /results/2/spectrum'],
    });
  });

  it('names a saturated trace, with the limit and its source', async () => {
    const document = await packed();
    const [first, second, third] = document.results;
    if (!first || !second || !third) throw new Error('expected three results');
    const values = intensities(second);
    const top = Math.max(...values);
    const cut = values.map((y) => Math.min(65_535, (y * 70_000) / top));
    const seen = await placesIn(document, [first, withIntensities(second, cut), third]);
    expect(seen).toMatchObject({
      exit: 1,
      places: ['signal-saturated /results/1/spectrum/intensity'],
    });
    expect(seen.findings[0]).toMatchObject({
      severity: 'hold',
      limit: { value: '65535', source: '16-bit converter of the simulated instrument' },
    });
    expect(seen.findings[0]?.numbers.found).toBe('65535');
    expect(seen.json?.files[0]?.noLimit).toEqual([
      'packaging-match',
      'laser-power',
      'cadence-impossible',
    ]);
  });

  it('names a copy that was scaled and moved by its noise', async () => {
    const document = await packed();
    const [first, second, third] = document.results;
    if (!first || !second || !third) throw new Error('expected three results');
    const hidden = withIntensities(
      third,
      intensities(first).map((y) => y * 1.1 + 50),
    );
    const seen = await placesIn(document, [first, second, { ...hidden, score: first.score }]);
    expect(seen.places).toEqual([
      'noise-duplicate /results/0/spectrum',
      'noise-duplicate /results/2/spectrum',
    ]);
  });
});

describe('drumline check --explain', () => {
  it('explains every code there is, in text and as one JSON line', async () => {
    for (const { code, meaning, advice } of listRules()) {
      const { exit, json } = await run('check', '--explain', code, '--json');
      expect(exit).toBe(0);
      expect(json).toMatchObject({ code, meaning, advice });
    }
    expect((await run('check', '--explain', 'signal-saturated')).exit).toBe(0);
    expect(out).toContain('signal-saturated: holds the result');
    expect(out).toContain('limit: detectors[].ceilingCounts');
    expect(out).toContain('may it be cleared: contrary results only');
  });

  it.each([
    [['--explain', 'no-such-code'], 'no check has the code "no-such-code"'],
    [['--explain', 'schema', 'file.json'], '--explain takes a code and no files'],
    [[], 'name the bundles to check, or --explain CODE'],
  ])('is wrong usage with %j', async (args, words) => {
    expect((await run('check', ...args)).exit).toBe(2);
    expect(err).toContain(words);
  });
});
