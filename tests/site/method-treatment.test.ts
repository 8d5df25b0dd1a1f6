import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { replacing } from '../support/site-edits.js';
import { lineOf, northquayWith } from '../support/site-folder-copy.js';

const REFERENCE = '    reference: references/NQ-1001.csv\n';
const TREATMENT = `    treatment:
      interpolation: spline
      baseline: { kind: asymmetric-least-squares, smoothness: "100000", asymmetry: "0.01", iterations: 10 }
      normalisation: vector
      shiftAllowance: "2"
`;
const ASKS = `    asks:
      peaks:
        tolerance: "3"
        relativeTo: "857.9"
        present: [{ shift: "1236.8", heightFrom: "0.4", heightTo: "1.5" }]
        absent: [{ shift: "1001.4", heightFrom: "0.1" }]
      residual: { statistic: rms, unit: noise, limit: "10" }
      margin: "0.2"
`;
const METHOD = `${TREATMENT}${ASKS}`;
const SET = `references:
  - { material: NQ-1002, file: references/NQ-1003.csv, models: ["Dockside R1 (simulated)"] }
  - { material: NQ-1003, file: references/NQ-1003.csv }
`;

/** Northquay whose first method declares the text, and with more in front of its plans. */
async function load(method: string, set = '') {
  const folder = northquayWith({
    'site.yaml': (text) =>
      replacing('plans:\n', `${set}plans:\n`)(replacing(REFERENCE, `${REFERENCE}${method}`)(text)),
  });
  return { folder, loaded: await loadSiteFolder(folder, {}) };
}

const faultsOf = async (method: string, set = '') => {
  const { loaded } = await load(method, set);
  return loaded.ok ? [] : loaded.faults;
};

describe('a method of a site folder', () => {
  it('may declare its treatment and what it asks for besides its score', async () => {
    const { loaded } = await load(METHOD, SET);
    if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
    const [method, other] = loaded.site.methods;
    expect(method?.treatment).toMatchObject({ interpolation: 'spline', shiftAllowance: '2' });
    expect(method?.asks).toMatchObject({ margin: '0.2', residual: { limit: '10' } });
    expect(other?.treatment).toBeUndefined();
    expect(loaded.site.references?.map(({ material, models }) => [material, models])).toEqual([
      ['NQ-1002', ['Dockside R1 (simulated)']],
      ['NQ-1003', null],
    ]);
    // Read once, whoever names it.
    const [a, b] = loaded.site.references ?? [];
    expect(a?.spectrum).toBe(b?.spectrum);
    const plain = await load('');
    if (!plain.loaded.ok) throw new Error('refused');
    expect(method?.contentDigest).not.toBe(plain.loaded.site.methods[0]?.contentDigest);
    expect(other?.contentDigest).toBe(plain.loaded.site.methods[1]?.contentDigest);
  });

  it.each<[string, string, string, string]>([
    ['a shift past 3 cm-1', 'shiftAllowance: "2"', 'shiftAllowance: "3.01"', 'expected 0 to 3'],
    ['a negative shift', 'shiftAllowance: "2"', 'shiftAllowance: "-1"', 'expected 0 to 3'],
    ['no smoothness', 'smoothness: "100000"', 'smoothness: "0"', 'expected 1 to 1000000000'],
    ['an asymmetry past a half', 'asymmetry: "0.01"', 'asymmetry: "0.9"', 'expected 0.0001 to 0.5'],
    ['a margin of nothing', 'margin: "0.2"', 'margin: "0.00"', 'expected above 0 and at most 1'],
    ['a limit of nothing', 'limit: "10"', 'limit: "0"', 'expected above 0'],
    ['no tolerance', 'tolerance: "3"', 'tolerance: "0"', 'expected above 0 and at most 20'],
    [
      'a band outside the range',
      'relativeTo: "857.9"',
      'relativeTo: "85.1"',
      'outside 250 to 1800',
    ],
    ['a height that falls', 'heightTo: "1.5"', 'heightTo: "0.3"', 'runs from 0.4 to 0.3'],
    ['a height of nothing', 'heightFrom: "0.1"', 'heightFrom: "0"', 'expected above 0'],
  ])('with %s is refused with the line', async (_name, from, to, words) => {
    const { folder, loaded } = await load(replacing(from, to)(METHOD));
    const faults = loaded.ok ? [] : loaded.faults;
    expect(faults.map(({ rule }) => rule)).toEqual(['method-numbers']);
    expect(faults[0]?.message).toContain(words);
    expect(faults[0]?.line).toBe(lineOf(folder, 'site.yaml', to));
  });

  it.each([
    [
      'an interpolation nobody knows',
      'interpolation: spline',
      'interpolation: cubic',
      'schema-enum',
    ],
    [
      'a baseline nobody knows',
      'kind: asymmetric-least-squares',
      'kind: rolling-ball',
      'schema-enum',
    ],
    ['rounds past the limit', 'iterations: 10', 'iterations: 51', 'schema-maximum'],
    ['a key left out', '      normalisation: vector\n', '', 'schema-required'],
    [
      'a key too many',
      '      margin: "0.2"',
      '      margin: "0.2"\n      colour: red',
      'schema-unknown-key',
    ],
  ])('with %s is refused by its form', async (_name, from, to, rule) => {
    const rules = (await faultsOf(replacing(from, to)(METHOD))).map(({ rule }) => rule);
    expect(rules).toEqual([rule]);
  });

  it('that would take too long to compute is refused', async () => {
    const slow = TREATMENT.replace('iterations: 10', 'iterations: 50').replace('"2"', '"3"');
    const faults = await faultsOf(slow);
    expect(faults.map(({ rule }) => rule)).toEqual(['method-numbers']);
    expect(faults[0]?.message).toContain('million steps of computing a spectrum');
  });

  it('cannot ask for a margin to a reference that does not cover its range', async () => {
    const short = `references:\n  - { material: NQ-1002, file: references/short.csv }\n`;
    const folder = northquayWith({
      'site.yaml': (text) =>
        replacing(
          'plans:\n',
          `${short}plans:\n`,
        )(replacing(REFERENCE, `${REFERENCE}${ASKS}`)(text)),
    });
    writeFileSync(join(folder, 'references/short.csv'), '400,1\n500,2\n600,1\n');
    const loaded = await loadSiteFolder(folder, {});
    expect(loaded.ok ? [] : loaded.faults.map(({ rule }) => rule)).toEqual([
      'margin-reference-too-short',
    ]);
  });

  it.each([
    [
      'a material nobody knows',
      'material: NQ-1003, file',
      'material: NQ-9, file',
      'unknown-material',
    ],
    ['a file that is not there', 'NQ-1003.csv }', 'NQ-9.csv }', 'unknown-file'],
  ])('stands beside a reference set without %s', async (_name, from, to, rule) => {
    const faults = await faultsOf(METHOD, replacing(from, to)(SET));
    expect(faults.map((fault) => fault.rule)).toEqual([rule]);
  });
});
