import { mkdtemp, readdir, readFile, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { contentParts } from '../../src/checks/bundle-parts.js';
import { registerConvert } from '../../src/cli/convert.command.js';
import type { BundleResult, ResultBundle } from '../../src/intake/result-bundle.js';
import { readAniml } from '../../src/records/animl-reader.js';
import { readCsvRecords } from '../../src/records/csv-record.js';
import { SAMPLE_BUNDLE, SAMPLE_RESULT } from '../records/sample-record.js';
import { describeWithShared, repositoryRoot } from '../support/shared.js';

let directory: string;
let out: string;
let printed: string;

beforeEach(async () => {
  directory = await mkdtemp(join(tmpdir(), 'drumline-convert-'));
  out = join(directory, 'out');
  printed = '';
  vi.spyOn(process.stdout, 'write').mockImplementation((text) => {
    printed += String(text);
    return true;
  });
  vi.spyOn(process.stderr, 'write').mockReturnValue(true);
});

afterEach(async () => {
  vi.restoreAllMocks();
  process.exitCode = undefined;
  await rm(directory, { recursive: true });
});

const FAIL: BundleResult = {
  ...SAMPLE_RESULT,
  runNumber: 18,
  resultId: 'NQ-R-0001/18',
  decision: 'fail',
  score: {
    ...SAMPLE_RESULT.score,
    algorithm: 'squared-correlation',
    value: '0.10' as never,
    threshold: '0.90' as never,
  },
  candidates: [],
};

function bundleOf(results: readonly BundleResult[]): ResultBundle {
  const last = results.at(-1)?.runNumber ?? 17;
  const bundle = { ...SAMPLE_BUNDLE, results, runs: { epoch: 1, first: 17, last } };
  const counts = { results: results.length, performanceChecks: 0, auditEvents: 0 };
  return { ...bundle, manifest: { counts, parts: contentParts(bundle) } };
}

async function run(content: unknown, ...options: string[]): Promise<number> {
  const file = join(directory, 'bundle.json');
  await writeFile(file, typeof content === 'string' ? content : JSON.stringify(content));
  return runFile(file, ...options);
}

async function runFile(file: string, ...options: string[]): Promise<number> {
  const program = new Command('drumline').exitOverride();
  registerConvert(program);
  printed = '';
  process.exitCode = undefined;
  await program.parseAsync(['convert', file, '--out', out, ...options], { from: 'user' });
  const code = Number(process.exitCode ?? 0);
  process.exitCode = undefined;
  return code;
}

const lastLine = (): Record<string, unknown> =>
  JSON.parse(printed.trimEnd().split('\n').at(-1) ?? '') as Record<string, unknown>;

describe('drumline convert', () => {
  it('writes one AnIML file a result, named by result id, contrary results like any other', async () => {
    expect(await run(bundleOf([SAMPLE_RESULT, FAIL]), '--to', 'animl', '--json')).toBe(0);
    expect((await readdir(out)).sort()).toEqual([
      'NQ-R-0001%2F18.animl',
      'NQ-R-0001%3A1%3A17.animl',
    ]);
    const read = readAniml(await readFile(join(out, 'NQ-R-0001%2F18.animl')));
    expect(read).toMatchObject({
      ok: true,
      content: {
        record: {
          resultId: 'NQ-R-0001/18',
          decision: 'fail',
          score: { value: '0.10' },
          origin: 'simulated',
        },
        values: { intensity: Float32Array.from([12.5, -1, 1001.25, 0.15625]) },
      },
    });
    expect(lastLine()).toMatchObject({
      outcome: 'converted',
      files: [{ state: 'written' }, { state: 'written' }],
    });
  });

  it('writes one CSV file a result that reads back with its digits', async () => {
    expect(await run(bundleOf([SAMPLE_RESULT]), '--to', 'csv')).toBe(0);
    const read = readCsvRecords(await readFile(join(out, 'NQ-R-0001%3A1%3A17.csv'), 'utf8'));
    expect(read).toMatchObject({
      ok: true,
      records: [{ score: { value: '0.9870', threshold: '0.90' } }],
    });
    expect(printed).toContain('1 results: 1 written, 0 already there, 0 held.');
  });

  it('says that nothing was rechecked when no site folder was given', async () => {
    await run(bundleOf([SAMPLE_RESULT]), '--to', 'animl');
    const read = readAniml(await readFile(join(out, 'NQ-R-0001%3A1%3A17.animl')));
    const recheck = { answer: 'not-recomputable', score: null, reason: 'no site folder was given' };
    expect(read).toMatchObject({ ok: true, content: { record: { recheck } } });
  });

  it('rechecks against the registry of a site folder and marks the file of a held result', async () => {
    const folder = join(repositoryRoot(), 'mappings', 'northquay');
    expect(
      await run(bundleOf([SAMPLE_RESULT]), '--to', 'animl', '--site-folder', folder, '--json'),
    ).toBe(1);
    const names = await readdir(out);
    expect(names).toEqual(['NQ-R-0001%3A1%3A17~held.animl']);
    const files = lastLine()['files'] as {
      held: boolean;
      findings: { code: string; pointer: string; advice: string }[];
    }[];
    expect(files[0]?.held).toBe(true);
    expect(files[0]?.findings.every(({ advice }) => advice.length > 0)).toBe(true);
  });

  it('writes the same bytes again, and leaves a file that is the same alone', async () => {
    const bundle = bundleOf([SAMPLE_RESULT]);
    await run(bundle, '--to', 'animl');
    const first = await readFile(join(out, 'NQ-R-0001%3A1%3A17.animl'));
    expect(await run(bundle, '--to', 'animl', '--json')).toBe(0);
    expect(lastLine()).toMatchObject({ files: [{ state: 'unchanged' }] });
    expect((await readFile(join(out, 'NQ-R-0001%3A1%3A17.animl'))).equals(first)).toBe(true);
  });

  it('never replaces a file that holds something else, unless told to', async () => {
    await run(bundleOf([SAMPLE_RESULT]), '--to', 'animl');
    const file = join(out, 'NQ-R-0001%3A1%3A17.animl');
    await writeFile(file, 'mine');
    expect(await run(bundleOf([SAMPLE_RESULT]), '--to', 'animl')).toBe(1);
    expect(await readFile(file, 'utf8')).toBe('mine');
    expect(printed).toContain('holds something else');
    expect(await run(bundleOf([SAMPLE_RESULT]), '--to', 'animl', '--overwrite')).toBe(0);
    expect(await readFile(file, 'utf8')).toContain('<AnIML');
    expect(await readdir(out)).toHaveLength(1);
  });

  it('marks every result of a bundle whose manifest does not hold', async () => {
    const bundle = bundleOf([SAMPLE_RESULT]);
    const wrong = {
      ...bundle,
      manifest: { ...bundle.manifest, parts: [{ pointer: '/results/0', sha256: 'f'.repeat(64) }] },
    };
    expect(await run(wrong, '--to', 'animl')).toBe(1);
    expect(await readdir(out)).toEqual(['NQ-R-0001%3A1%3A17~held.animl']);
    expect(printed).toContain('part-digest at /results/0');
  });

  it('writes nothing of a result whose time cannot be read, and names it', async () => {
    const odd = { ...SAMPLE_RESULT, measuredAt: 'yesterday' };
    expect(await run(bundleOf([odd]), '--to', 'animl')).toBe(1);
    expect(await readdir(out)).toEqual([]);
    expect(printed).toContain('no record can be made of it');
    expect(printed).toContain('/results/0/measuredAt');
  });

  it.each([
    ['not JSON', '{"format":', 'json-'],
    ['a doubled key', '{"format":"a","format":"b"}', 'format'],
    [
      'another shape',
      { format: 'drumline-result-bundle', version: '1.0', bundleId: 'b' },
      'missing',
    ],
  ])('writes nothing of %s and names place and remedy', async (_name, content, expected) => {
    expect(await run(content, '--to', 'animl')).toBe(1);
    expect(printed).toContain('Nothing was written');
    expect(printed).toContain(expected);
    await expect(readdir(out)).rejects.toThrow('ENOENT');
    await run(content, '--to', 'animl', '--json');
    expect(lastLine()).toMatchObject({ outcome: 'refused', files: [] });
  });

  it.each([
    ['a bundle file that is not there', [], 'gone.json'],
    ['a time of receipt that is none', ['--received-at', 'now'], 'bundle.json'],
    ['a schema folder without schema', ['--xsd', '.'], 'bundle.json'],
  ] as [string, string[], string][])('is wrong usage with %s', async (_name, options, file) => {
    await writeFile(join(directory, 'bundle.json'), JSON.stringify(bundleOf([SAMPLE_RESULT])));
    expect(await runFile(join(directory, file), '--to', 'animl', ...options)).toBe(2);
  });

  it('is wrong usage with a format it does not know', async () => {
    await expect(run(bundleOf([SAMPLE_RESULT]), '--to', 'pdf')).rejects.toThrow('Allowed choices');
  });

  it('keeps the time of receipt it is given', async () => {
    await run(
      bundleOf([SAMPLE_RESULT]),
      '--to',
      'csv',
      '--received-at',
      '2026-03-05T01:00:00+01:00',
    );
    const text = await readFile(join(out, 'NQ-R-0001%3A1%3A17.csv'), 'utf8');
    expect(text).toContain(',2026-03-05T00:00:00.000000Z,');
  });
});

describeWithShared('drumline convert --xsd', (shared) => {
  it('validates against the official schema before writing', async () => {
    const xsd = join(shared, 'standards', 'xsd');
    expect(
      await run(bundleOf([SAMPLE_RESULT, FAIL]), '--to', 'animl', '--xsd', xsd, '--json'),
    ).toBe(0);
    expect(lastLine()).toMatchObject({ files: [{ schemaFaults: [] }, { schemaFaults: [] }] });
  });
});
