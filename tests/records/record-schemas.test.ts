import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { Ajv2020, type ValidateFunction } from 'ajv/dist/2020.js';
import { describe, expect, it } from 'vitest';
import { PERIOD_MESSAGE_KINDS, type PeriodRecord } from '../../src/records/period-record.js';
import { RECORD_FIELDS } from '../../src/records/record-fields.js';
import type { WithdrawalRecord } from '../../src/records/result-record.js';
import {
  STATEMENT_OUTCOMES,
  STOP_KINDS,
  type StatementRecord,
} from '../../src/records/statement-record.js';
import { DECISIONS, ENVIRONMENTS } from '../../src/site/vocabulary.js';
import { repositoryRoot } from '../support/shared.js';
import { SAMPLE_RECORD } from './sample-record.js';

interface Schema {
  readonly $id: string;
  readonly title: string;
  readonly properties: Readonly<Record<string, SchemaPart>>;
  readonly $defs: Readonly<Record<string, SchemaPart>>;
}
interface SchemaPart {
  readonly enum?: readonly string[];
  readonly $ref?: string;
  readonly anyOf?: readonly SchemaPart[];
  readonly properties?: Readonly<Record<string, SchemaPart>>;
}

function load(name: string): { schema: Schema; validate: ValidateFunction } {
  const file = join(repositoryRoot(), 'schemas', `${name}.schema.json`);
  const schema = JSON.parse(readFileSync(file, 'utf8')) as Schema;
  return { schema, validate: new Ajv2020({ strict: true, strictRequired: false }).compile(schema) };
}

const STATEMENT: StatementRecord = {
  schema: 'drumline-statement',
  version: '1.0',
  site: 'northquay',
  environment: 'training',
  receipt: {
    receiptId: 'r-1',
    receiptNumber: 'GR-2041',
    line: '10',
    material: 'NQ-1001',
    manufacturer: null,
    supplier: null,
    supplierLot: null,
    siteLot: 'L-55A',
    area: 'east-dock',
  },
  revision: 2,
  factsVersion: 9,
  outcome: 'does-not-conform',
  evaluatedAt: '2026-03-04T09:00:00.000000Z',
  validUntil: '2026-03-04T09:10:00.000000Z',
  conditions: [
    {
      code: 'coverage',
      state: 'unmet',
      found: '1 of 2 containers',
      evidence: [{ kind: 'container', id: 'D1' }],
    },
  ],
  containers: [{ label: 'D1', required: true, state: 'covered', resultIds: ['x'] }],
  plan: { kind: 'every', required: 2, decision: 'D-002' },
  decisions: [
    {
      id: 'D-002',
      rule: 'sampling-plans',
      decidedBy: 'Head of Quality, Northquay (simulated)',
      date: '2026-01-05',
      reason: 'demo',
    },
  ],
  stopInForce: {
    stopId: 's-1',
    kind: 'withdraw',
    reason: 'fail',
    issuedAt: '2026-03-04T09:00:00Z',
    statementRevision: 2,
  },
};

const WITHDRAWAL: WithdrawalRecord = {
  schema: 'drumline-withdrawal',
  version: '1.0',
  site: 'northquay',
  withdrawalId: 'w-1',
  resultId: 'x',
  resultRevision: 1,
  reason: 'held after delivery',
  issuedAt: '2026-03-04T09:00:00Z',
  environment: 'training',
  receiptId: null,
};

const PERIOD: PeriodRecord = {
  schema: 'drumline-period-close',
  version: '1.0',
  site: 'northquay',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
  periodId: 'p-1',
  revision: 2,
  kind: 'addendum',
  addendum: 1,
  from: '2026-03-29T00:00:00.000000Z',
  to: '2026-03-29T23:00:00.000000Z',
  closedAt: '2026-03-30T08:00:00.000000Z',
  closedBy: 'Signer (simulated)',
  signatureId: 's-1',
  reason: 'late sync',
  sha256: 'c0de'.repeat(16),
  closeSha256: 'c0de'.repeat(16),
  counts: {
    receipts: 1,
    expectedContainers: 2,
    measuredContainers: 2,
    acceptedResults: 2,
    heldResults: 0,
    refusedResults: 0,
    supersededResults: 0,
    heldBundles: 0,
    refusedBundles: 0,
    deliveredResults: 2,
    confirmedResults: 2,
    byDestination: [{ destination: 'lims', delivered: 2, confirmed: 2 }],
  },
  stops: 0,
  carriedOver: [],
  carriedOverCount: 0,
  resolvedCount: 0,
  changes: [{ at: '2026-03-30T07:00:00.000000Z', detail: 'result x is accepted' }],
  changesCount: 1,
};

describe.each([
  ['result-record', SAMPLE_RECORD as object],
  ['statement', STATEMENT],
  ['withdrawal', WITHDRAWAL],
  ['period', PERIOD],
])('schemas/%s.schema.json', (name, sample) => {
  const { schema, validate } = load(name);

  it('accepts a record of its kind', () => {
    expect(validate(sample), JSON.stringify(validate.errors)).toBe(true);
  });

  it('has an identifier and a title', () => {
    expect(schema.$id).toBe(`urn:drumline:schema:${name}:1.0`);
    expect(schema.title).toMatch(/^Drumline .* 1\.0$/);
  });

  it('refuses a record without any one of its members, and with one more', () => {
    for (const member of Object.keys(sample)) {
      const { [member]: _left, ...rest } = sample as Record<string, unknown>;
      expect(validate(rest), member).toBe(false);
    }
    expect(validate({ ...sample, more: 1 })).toBe(false);
  });

  it('names exactly the members that the type has', () => {
    expect(Object.keys(schema.properties).sort()).toEqual(Object.keys(sample).sort());
  });
});

describe('schemas/result-record.schema.json', () => {
  const { schema, validate } = load('result-record');

  it.each([
    ['a decision outside the vocabulary', { decision: 'ok' }],
    ['a score as number', { score: { algorithm: 'a', value: 0.9, threshold: null } }],
    ['a score with exponent', { score: { algorithm: 'a', value: '9e-1', threshold: null } }],
    [
      'a UTC instant with offset',
      { measuredAt: { ...SAMPLE_RECORD.measuredAt, utc: '2026-03-04T08:15:30.250000+00:00' } },
    ],
    ['revision 0', { revision: 0 }],
    ['an origin that is left out of the vocabulary', { origin: 'demo' }],
  ])('refuses %s', (_name, change) => {
    expect(validate({ ...SAMPLE_RECORD, ...change })).toBe(false);
  });

  it('and the field table name the same fields and vocabularies', () => {
    const fields = new Map(RECORD_FIELDS.map((field) => [field.at, field]));
    const seen: string[] = [];
    for (const [name, part] of Object.entries(schema.properties)) {
      if (['candidates', 'remarks', 'findings'].includes(name)) continue;
      const resolved = resolve(part, schema);
      const inner = resolved.properties;
      const members = inner
        ? Object.entries(inner).map(([key, value]) => [`${name}.${key}`, value] as const)
        : [[name, resolved] as const];
      for (const [at, member] of members) {
        seen.push(at);
        if (member.enum) expect(fields.get(at)?.oneOf, at).toEqual(member.enum);
      }
    }
    expect(seen.sort()).toEqual([...fields.keys()].sort());
  });
});

describe('closed vocabularies', () => {
  it('are the same in the schemas and in the code', () => {
    const record = load('result-record').schema;
    const statement = load('statement').schema;
    expect(record.properties['decision']?.enum).toEqual(DECISIONS);
    expect(record.properties['environment']?.enum).toEqual(ENVIRONMENTS);
    expect(statement.properties['outcome']?.enum).toEqual(STATEMENT_OUTCOMES);
    expect(statement.$defs['stop']?.properties?.['kind']?.enum).toEqual(STOP_KINDS);
    expect(load('period').schema.properties['kind']?.enum).toEqual(PERIOD_MESSAGE_KINDS);
  });
});

function resolve(part: SchemaPart, schema: Schema): SchemaPart {
  const nullable = part.anyOf?.find((option) => !('type' in option && option['type'] === 'null'));
  const target = nullable ?? part;
  const name = target.$ref?.replace('#/$defs/', '');
  return name === undefined ? target : (schema.$defs[name] ?? target);
}
