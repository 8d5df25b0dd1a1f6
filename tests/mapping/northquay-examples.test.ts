import { describe, expect, it } from 'vitest';
import { exampleFaults } from '../../src/mapping/examples.service.js';
import { readFolderFiles } from '../../src/site/folder-files.files.js';
import { mappingWith, poolForFile } from '../support/mapping-bench.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';

const pool = poolForFile();
const { texts } = await readFolderFiles(NORTHQUAY);
const mappings = new Map(['lims', 'erp'].map((name) => [name, mappingWith(name)]));

describe('the examples of a site folder', () => {
  it('of Northquay yield the payloads written beside them, byte for byte', async () => {
    expect(
      Object.keys(texts).filter((name) => name.startsWith('examples/')).length,
    ).toBeGreaterThan(7);
    expect(await exampleFaults(texts, mappings, pool)).toEqual([]);
  });

  it('fail at the first character that differs, by file', async () => {
    const name = 'examples/erp-stop-withdraw.json';
    const changed = {
      ...texts,
      [name]: (texts[name] ?? '').replace('BLOCK-CONTRARY', 'BLOCK-DOUBT'),
    };
    const faults = await exampleFaults(changed, mappings, pool);
    expect(faults).toMatchObject([{ file: name, rule: 'example' }]);
    expect(faults[0]?.message).toContain('BLOCK-CONTRARY');
  });

  it.each([
    '{',
    '[]',
    '{"destination":"erp"}',
    '{"destination":"none","subject":{"message":"stop"},"payload":""}',
  ])('that are none are named: %s', async (text) => {
    const faults = await exampleFaults({ 'examples/x.json': text }, mappings, pool);
    expect(faults).toMatchObject([{ file: 'examples/x.json', rule: 'example' }]);
  });
});
