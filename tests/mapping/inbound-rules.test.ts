import { describe, expect, it } from 'vitest';
import { inboundExampleFaults } from '../../src/mapping/inbound-examples.service.js';
import { inboundFaults } from '../../src/mapping/inbound-mappings.service.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { poolForFile } from '../support/mapping-bench.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { inboundYaml, readInboundText } from './inbound-bench.js';

const pool = poolForFile();
const FIELDS = [
  '{ to: receiptId, from: line.id }',
  '{ to: material, from: line.material }',
  '{ to: containers, from: line.labels }',
];

function rulesOf(yaml: string): string[] {
  const read = readInboundText(yaml);
  return (read.ok ? inboundFaults(read.inbound) : read.faults).map(({ rule }) => rule);
}
const withFields = (...fields: string[]) => rulesOf(inboundYaml('format: json', fields));
const withField = (field: string) => withFields(...FIELDS, field);

describe('an inbound mapping', () => {
  it('that holds together has no fault', () => {
    expect(withFields(...FIELDS)).toEqual([]);
  });

  it.each([
    ['a case folded', "{ to: receiptId, from: '$uppercase(line.id)' }"],
    ['a zero dropped', "{ to: receiptId, from: '$string($number(line.id))' }"],
    ['a text cut', "{ to: receiptId, from: '$substring(line.id, 0, 4)' }"],
    ['a path that begins nowhere', '{ to: receiptId, from: id }'],
  ])('rule 24: computes no identifier: %s', (_name, field) => {
    expect(withFields(field, ...FIELDS.slice(1))).toEqual(['inbound-path']);
  });

  it.each([
    ['{ to: supplierLot, constant: L1 }', 'identifier-altered'],
    ['{ to: siteLot, from: line.lot, table: lots }', 'identifier-altered'],
    ["{ to: dockCount, from: '$count(line.labels)' }", 'inbound-path'],
    ['{ to: dockCount, constant: "3" }', 'identifier-altered'],
    ['{ to: material, from: line.other }', 'inbound-target'],
    ['{ to: colour, from: line.colour }', 'inbound-target'],
    ['{ to: area, from: line.dock, table: docks }', 'unknown-table'],
    ['{ to: area, from: line.dock, splitAt: "," }', 'field-source'],
    ['{ to: area, from: line.dock, siteTime: true }', 'field-source'],
    ['{ to: area }', 'field-source'],
    ["{ to: quantity, from: '$now()' }", 'expression-function'],
    ["{ to: quantity, from: 'line.(' }", 'expression-invalid'],
    ['{ to: quantity, join: { of: [line.a, line.b], with: "-" } }', 'field-source'],
    ['{ to: quantity, from: line.q, maxLength: 3 }', 'schema-unknown-key'],
  ])('is refused with %s: %s', (field, rule) => {
    expect(withField(field)).toEqual([rule]);
  });

  it('fills in what has to be there, and may not leave it out', () => {
    expect(withFields(...FIELDS.slice(0, 2))).toEqual(['inbound-target']);
    expect(
      withFields(
        FIELDS[0] ?? '',
        FIELDS[2] ?? '',
        '{ to: material, from: line.m, required: false }',
      ),
    ).toEqual(['inbound-target']);
    expect(
      withFields(
        FIELDS[0] ?? '',
        FIELDS[1] ?? '',
        '{ to: containers, from: line.l, required: false }',
      ),
    ).toEqual([]);
  });

  it('says which change a line asks for, by a closed table of changes that it maps', () => {
    const head = (rows: string) =>
      `format: json\nchange: { from: line.s, table: acts }\ntables: { acts: { rows: { ${rows} } } }`;
    expect(rulesOf(inboundYaml(head('N: announce'), FIELDS))).toEqual([]);
    expect(rulesOf(inboundYaml(head('N: announce, C: cancel'), FIELDS))).toEqual([
      'inbound-change',
    ]);
  });

  it('of another source, and one that is no YAML, is refused by line', () => {
    expect(rulesOf(inboundYaml('format: json', FIELDS).replace('wms', 'erp'))).toEqual([
      'inbound-of-other-source',
    ]);
    expect(rulesOf('source: [')).toContain('yaml');
  });
});

describe('the inbound mappings of Northquay', () => {
  it('hold together and do what their examples say', async () => {
    const loaded = await loadSiteFolder(NORTHQUAY, {});
    if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
    const { inboundSources, files, site } = loaded;
    expect([...inboundSources.keys()]).toEqual(['erp', 'sheet']);
    expect([...inboundSources.values()].flatMap(inboundFaults)).toEqual([]);
    const examples = Object.keys(files).filter((name) => name.startsWith('examples/inbound/'));
    expect(examples.length).toBeGreaterThan(5);
    expect(await inboundExampleFaults(files, inboundSources, site.timeZone, pool)).toEqual([]);
    const [name = ''] = examples;
    const changed = { ...files, [name]: (files[name] ?? '').replaceAll('site-time', 'xml') };
    const found = await inboundExampleFaults(changed, inboundSources, site.timeZone, pool);
    expect(found).toMatchObject([{ file: name, rule: 'example' }]);
  });
});
