import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { registerMapping } from '../../src/cli/mapping.command.js';
import { instantFromMillis } from '../../src/formats/instant.js';
import { SimulatedInstrument } from '../../src/simulation/instrument.js';
import { scoreCurve } from '../../src/simulation/score-curve.js';
import type { SiteFault } from '../../src/site/site-fault.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { replacing } from '../support/site-edits.js';
import { lineOf, NORTHQUAY, northquayWith } from '../support/site-folder-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

let printed = '';
beforeEach(() => {
  printed = '';
  vi.spyOn(process.stdout, 'write').mockImplementation((text) => {
    printed += String(text);
    return true;
  });
  vi.spyOn(process.stderr, 'write').mockImplementation(() => true);
});
afterEach(() => {
  vi.restoreAllMocks();
  process.exitCode = undefined;
});

/** Runs the command in this process; its exit code and what it printed. */
async function run(...args: string[]): Promise<{ readonly exit: number; readonly out: string }> {
  printed = '';
  process.exitCode = undefined;
  const program = new Command('drumline').exitOverride();
  registerMapping(program);
  await program.parseAsync(['mapping', ...args], { from: 'user' });
  return { exit: Number(process.exitCode ?? 0), out: printed };
}

const json = (out: string): unknown => JSON.parse(out.trimEnd().split('\n').at(-1) ?? '');

/** A bundle of a simulated instrument at Northquay: one result for each lot. */
async function bundleFile(lots: readonly string[]): Promise<string> {
  const loaded = await loadSiteFolder(NORTHQUAY, {});
  if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
  const { site } = loaded;
  const [instrument] = site.instruments;
  const [method] = site.methods;
  if (!instrument || !method) throw new Error('Northquay has instruments and methods');
  const simulated = new SimulatedInstrument({
    site: site.site,
    environment: site.environment,
    timeZone: site.timeZone,
    instrument,
    syncPc: 'sync-east',
    seed: 1,
    operators: [{ id: 'op-1', name: 'Operator One (simulated)' }],
    score: scoreCurve,
  });
  const start = Date.now() - 60_000;
  for (const [index, lot] of lots.entries()) {
    simulated.measure({
      substance: 'paracetamol',
      receiptScan: 'NQ GR 1',
      containerScan: `D1-${index}`,
      lot,
      method,
      operatorId: 'op-1',
      now: instantFromMillis(start + index * 1000),
    });
  }
  const file = join(temporaryDirectory(), 'bundle.json');
  writeFileSync(file, simulated.sync(instantFromMillis(start + 30_000)).bytes);
  return file;
}

describe('drumline mapping check', () => {
  it('finds nothing wrong with Northquay', async () => {
    const { exit, out } = await run('check', '--site-folder', NORTHQUAY);
    expect(exit).toBe(0);
    expect(out).toContain('no faults');
  });

  it('shows the faults of folder and mappings at once, with file and line, and exits 1', async () => {
    const directory = northquayWith({
      'site.yaml': replacing('area: west-dock', 'area: nowhere'),
      'erp.mapping.yaml': replacing('incomplete: AWAITING', 'incomplete: USE-PERMITTED'),
      'lims.mapping.yaml': replacing('from: record.place', 'from: record.plaze'),
    });
    const { exit, out } = await run('check', '--site-folder', directory, '--json');
    expect(exit).toBe(1);
    const { ok, faults } = json(out) as { ok: boolean; faults: SiteFault[] };
    expect(ok).toBe(false);
    expect(faults.map((fault) => `${fault.file} ${fault.rule}`)).toEqual([
      'erp.mapping.yaml code-shared',
      'erp.mapping.yaml release-vocabulary',
      'lims.mapping.yaml unknown-source',
      'site.yaml unknown-area',
    ]);
    expect(faults.at(-1)?.line).toBe(lineOf(directory, 'site.yaml', 'area: nowhere'));
  });

  it('reports an example that no longer holds', async () => {
    const directory = northquayWith({
      'examples/lims-result.json': replacing('FAILED', 'PASSED'),
    });
    const { exit, out } = await run('check', '--site-folder', directory);
    expect(exit).toBe(1);
    expect(out).toMatch(/examples\/lims-result\.json:1:1 example: from character \d+/);
  });
});

describe('drumline mapping preview', () => {
  it('shows what each result of a bundle would yield, byte for byte', async () => {
    const file = await bundleFile(['LOT-1', 'LOT-2']);
    const { exit, out } = await run(
      'preview',
      '--destination',
      'lims',
      '--bundle',
      file,
      '--site-folder',
      NORTHQUAY,
      '--json',
    );
    expect(exit).toBe(0);
    const shown = json(out) as {
      ok: boolean;
      payloads: { payload: string; held: boolean; permitsRelease: boolean }[];
    };
    expect(shown.ok).toBe(true);
    expect(shown.payloads).toHaveLength(2);
    const lots = shown.payloads.map(({ payload }) => (JSON.parse(payload) as { lot: string }).lot);
    expect(lots).toEqual(['LOT-1', 'LOT-2']);
    expect(shown.payloads.every(({ held, permitsRelease }) => !held && !permitsRelease)).toBe(true);
  });

  it('names identifiers that a careless reader would take for one another, and exits 1', async () => {
    const file = await bundleFile(['lot-1', 'LOT-1', 'LOT-01']);
    const { exit, out } = await run(
      'preview',
      '--destination',
      'erp',
      '--bundle',
      file,
      '--site-folder',
      NORTHQUAY,
    );
    expect(exit).toBe(1);
    expect(out).toContain('LOT-1 and lot-1 at /IdentityMessage/Body/Lot differ only by case');
    expect(out).toContain(
      'LOT-01 and LOT-1 at /IdentityMessage/Body/Lot differ only by leading zeros',
    );
  });

  it('shows the problems of what cannot be built, and exits 1', async () => {
    const file = await bundleFile(['bell\u0007']);
    const { exit, out } = await run(
      'preview',
      '--destination',
      'erp',
      '--bundle',
      file,
      '--site-folder',
      NORTHQUAY,
      '--json',
    );
    expect(exit).toBe(1);
    expect(json(out)).toMatchObject({
      ok: false,
      payloads: [
        { payload: null, problems: [expect.stringContaining('/IdentityMessage/Body/Lot')] },
      ],
    });
  });

  it.each([
    ['statement', 'USE-PERMITTED', true],
    ['stop', 'BLOCK-CONTRARY', false],
  ])('shows an invented %s without a bundle', async (message, code, permits) => {
    const { exit, out } = await run(
      'preview',
      '--destination',
      'erp',
      '--message',
      message,
      '--site-folder',
      NORTHQUAY,
      '--json',
    );
    expect(exit).toBe(0);
    expect(json(out)).toMatchObject({
      payloads: [{ payload: expect.stringContaining(code) as string, permitsRelease: permits }],
    });
  });

  it('says which destinations there are, and that a bundle is needed: exit 2', async () => {
    expect((await run('preview', '--destination', 'mes', '--site-folder', NORTHQUAY)).exit).toBe(2);
    expect((await run('preview', '--destination', 'lims', '--site-folder', NORTHQUAY)).exit).toBe(
      2,
    );
  });
});
