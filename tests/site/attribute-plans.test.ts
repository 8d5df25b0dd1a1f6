import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { AQLS, INSPECTION_LEVELS } from '../../src/receipts/published-plans.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { INSPECTED_ATTRIBUTES } from '../../src/site/vocabulary.js';
import { replacing } from '../support/site-edits.js';
import { northquayWith } from '../support/site-folder-copy.js';

const PLAN =
  '{ material: "*", attribute: labels, level: II, aql: "1.0", decision: D-090, expires: "2030-12-31T23:59:59Z" }';

const DECISION = `decisions:
  - id: D-090
    rule: attribute-plans
    decidedBy: Head of Quality, Northquay (simulated)
    date: "2026-01-12"
    reason: Labels are looked at by a sample; identity is measured by its own plan.
    signed: false
`;

function loaded(...plans: readonly string[]) {
  const section = `attributePlans:\n${plans.map((plan) => `  - ${plan}\n`).join('')}`;
  const directory = northquayWith({
    'site.yaml': (text) =>
      replacing('plans:\n', `${section}plans:\n`)(replacing('decisions:\n', DECISION)(text)),
  });
  return loadSiteFolder(directory, {});
}

async function rules(...plans: readonly string[]): Promise<string[]> {
  const read = await loaded(...plans);
  return read.ok ? [] : read.faults.map((fault) => fault.rule);
}

describe('attribute plans of a site', () => {
  it('are read with whom they hold for', async () => {
    const read = await loaded(PLAN, PLAN.replace('labels', 'damage'));
    if (!read.ok) throw new Error(JSON.stringify(read.faults));
    expect(read.site.attributePlans).toMatchObject([
      { attribute: 'labels', level: 'II', aql: '1.0', manufacturer: null, supplier: null },
      { attribute: 'damage', material: '*', decision: 'D-090' },
    ]);
  });

  it.each([
    ['another attribute', PLAN.replace('labels', 'identity'), /^schema-/],
    ['a level that is none', PLAN.replace('II', 'IV'), /^schema-/],
    ['an AQL that no table has', PLAN.replace('"1.0"', '"1.1"'), /^schema-/],
    ['an AQL written as a number', PLAN.replace('"1.0"', '1.0'), /^schema-/],
    ['an unknown decision', PLAN.replace('D-090', 'D-999'), /^unknown-decision$/],
    ['a decision about sampling', PLAN.replace('D-090', 'D-002'), /^decision-of-other-rule$/],
    ['an unknown material', PLAN.replace('"*"', 'NQ-9999'), /^unknown-material$/],
    ['an expiry that is no instant', PLAN.replace('T23:59:59Z', ''), /^plan-expiry$/],
  ])('refuse %s', async (_, plan, rule) => {
    expect(await rules(plan)).toEqual([expect.stringMatching(rule)]);
  });

  it('refuse two of one attribute for the same receipts', async () => {
    expect(await rules(PLAN, PLAN.replace('II', 'III'))).toEqual(['duplicate-id']);
  });

  it('take the levels and limits of the tables and no others', () => {
    const schema = JSON.parse(
      readFileSync(new URL('../../schemas/site.schema.json', import.meta.url), 'utf8'),
    ) as {
      properties: {
        attributePlans: { items: { properties: Record<string, { enum?: string[] }> } };
      };
    };
    const { attribute, level, aql } = schema.properties.attributePlans.items.properties;
    expect(attribute?.enum).toEqual([...INSPECTED_ATTRIBUTES]);
    expect(level?.enum).toEqual([...INSPECTION_LEVELS]);
    expect(aql?.enum).toEqual([...AQLS]);
  });
});
