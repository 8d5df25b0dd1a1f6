import { cpSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { NORTHQUAY, northquayWith } from '../support/site-folder-copy.js';
import { temporaryDirectory } from '../support/temp-database.js';

const FILE = 'signal-limits.yaml';

async function faultsWith(edit: (text: string) => string) {
  const directory = northquayWith({ [FILE]: edit });
  const loaded = await loadSiteFolder(directory, {});
  const faults = loaded.ok ? [] : loaded.faults;
  return { directory, faults: faults.map(({ file, line, rule }) => ({ file, line, rule })) };
}

describe('signal-limits.yaml', () => {
  it('gives every limit of Northquay with its source', async () => {
    const loaded = await loadSiteFolder(NORTHQUAY, {});
    if (!loaded.ok) throw new Error(loaded.faults.map((f) => f.message).join());
    const { signal } = loaded.site;
    expect(signal?.detectors[0]?.ceilingCounts).toEqual({
      value: '65535',
      source: '16-bit converter of the simulated instrument',
    });
    expect(signal?.methods.map(({ method }) => method)).toEqual(
      loaded.site.methods.map(({ id }) => id),
    );
    expect(Object.isFrozen(signal?.methods[0]?.peak)).toBe(true);
  });

  it('may be left out: no limit has a default', async () => {
    const directory = join(temporaryDirectory(), 'site');
    cpSync(NORTHQUAY, directory, { recursive: true });
    rmSync(join(directory, FILE));
    const loaded = await loadSiteFolder(directory, {});
    expect(loaded.ok && loaded.site.signal).toBe(null);
  });

  it.each<[string, string, string, string]>([
    [
      'a limit without a source',
      'linearMaxCounts: { value: "60000", source: "invented for the scenario" }',
      'linearMaxCounts: { value: "60000" }',
      'schema-required',
    ],
    ['a negative limit', 'value: "500"', 'value: "-500"', 'schema-pattern'],
    [
      'a share above 1',
      'noiseCorrelationMax: { value: "0.9"',
      'noiseCorrelationMax: { value: "1.2"',
      'schema-pattern',
    ],
    ['a key nobody knows', 'linesMin:', 'lineMin:', 'schema-unknown-key'],
    [
      'a model that site.yaml does not have',
      'model: Dockside R1',
      'model: Dockside R2',
      'unknown-model',
    ],
    [
      'a method that site.yaml does not have',
      'method: ID-NQ-1001',
      'method: ID-NQ-1009',
      'unknown-method',
    ],
    ['one method twice', 'method: ID-NQ-1002', 'method: ID-NQ-1001', 'duplicate-id'],
    [
      'a region that falls',
      'peak: { from: "250", to: "1750" }',
      'peak: { from: "1750", to: "250" }',
      'signal-region',
    ],
    ['more bands asked for than listed', 'bandsMin: 3', 'bandsMin: 5', 'packaging-incomplete'],
    [
      'a reference without range and score',
      'bandsMin: 3',
      'bandsMin: 3\n    reference: references/NQ-1001.csv',
      'packaging-incomplete',
    ],
  ])('refuses %s at its line', async (_name, text, broken, rule) => {
    const { directory, faults } = await faultsWith((all) => all.replace(text, broken));
    expect(faults.map((fault) => [fault.file, fault.rule])).toEqual([[FILE, rule]]);
    const lines = readFileSync(join(directory, FILE), 'utf8').split('\n');
    const near = 1 + lines.findLastIndex((l) => l.includes(broken.split('\n')[0] ?? ''));
    expect(Math.abs((faults[0]?.line ?? 0) - near)).toBeLessThanOrEqual(1);
  });

  it('refuses a height limit without a region, and signal to noise without a peak-free one', async () => {
    const { faults } = await faultsWith((all) =>
      all.replace(
        '    peak: { from: "250", to: "1750" }\n    noise: { from: "1750", to: "1950" }\n',
        '',
      ),
    );
    expect(faults.map(({ rule }) => rule)).toEqual(Array(5).fill('signal-region'));
  });

  it('reads the reference of a packaging, and says which line of it is broken', async () => {
    const entry = [
      'packaging:',
      '  - name: liner',
      '    source: "test"',
      '    reference: references/liner.csv',
      '    range: { from: "300", to: "1800" }',
      '    scoreMin: { value: "0.8", source: "test" }',
    ].join('\n');
    const directory = northquayWith({ [FILE]: (all) => all.replace('\npackaging:', `\n${entry}`) });
    const missing = await loadSiteFolder(directory, {});
    expect(missing.ok ? [] : missing.faults.map((f) => f.rule)).toEqual(['unknown-file']);
    const liner = join(directory, 'references', 'liner.csv');
    writeFileSync(liner, readFileSync(join(directory, 'references', 'NQ-1002.csv')));
    const loaded = await loadSiteFolder(directory, {});
    expect(loaded.ok && loaded.site.signal?.packaging[0]?.reference?.scoreMin.value).toBe('0.8');
    const curve = readFileSync(liner, 'utf8').split('\n');
    writeFileSync(liner, curve.filter((line) => !/^8[0-4]\d,/.test(line)).join('\n'));
    const holed = await loadSiteFolder(directory, {});
    expect(holed.ok ? [] : holed.faults).toMatchObject([
      {
        file: 'references/liner.csv',
        rule: 'reference-hole',
        message: expect.stringContaining('packaging liner needs') as string,
      },
    ]);
    writeFileSync(
      liner,
      curve
        .filter((line) => !/^1[67]\d\d,|^1800,|^[12]9\d\d|^1[89]|^2\d\d\d/.test(line))
        .join('\n'),
    );
    const short = await loadSiteFolder(directory, {});
    expect(short.ok ? [] : short.faults.map(({ rule }) => rule)).toEqual(['reference-too-short']);
    writeFileSync(liner, 'raman_shift_cm1,intensity\n1,2\n1,3\n');
    const broken = await loadSiteFolder(directory, {});
    expect(broken.ok ? [] : broken.faults).toMatchObject([
      { file: 'references/liner.csv', line: 3, rule: 'reference-spectrum' },
    ]);
  });
});
