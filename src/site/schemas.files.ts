import { readFileSync } from 'node:fs';
import { Ajv2020 } from 'ajv/dist/2020.js';
import type { SchemaCheck } from './schema-faults.js';

/** More than a person reads at once. */
const FAULTS_MAX = 500;

/** Compiles one of the project's own schemas (`schemas/NAME.schema.json`), beside `src` and `dist` alike. */
function compileSchema(name: string): SchemaCheck {
  return compile(readSchema(name), false);
}

function readSchema(name: string): object {
  const url = new URL(`../../schemas/${name}.schema.json`, import.meta.url);
  return JSON.parse(readFileSync(url, 'utf8')) as object;
}

/** @param isJudged false for a file, which tests judge by the meta-schema: that takes longer than to compile it */
function compile(schema: object, isJudged: boolean): SchemaCheck {
  const ajv = new Ajv2020({
    allErrors: true,
    verbose: true,
    strict: true,
    ownProperties: true,
    validateSchema: isJudged,
  });
  const validate = ajv.compile(schema);
  return (value) => (validate(value) ? [] : (validate.errors ?? []).slice(0, FAULTS_MAX));
}

const compiled = new Map<string, SchemaCheck>();

function schema(name: string): SchemaCheck {
  const held = compiled.get(name) ?? compileSchema(name);
  compiled.set(name, held);
  return held;
}

/** Shape of `site.yaml`. */
export function siteSchema(): SchemaCheck {
  return schema('site');
}

/**
 * Shape of a proposed version of a method: that of an entry of `site.yaml`, with the reference in it. Dates that end
 * a version and its approvals are not proposed but signed.
 */
export function methodProposalSchema(): SchemaCheck {
  const held = compiled.get(PROPOSAL) ?? compile(proposalSchema(), true);
  compiled.set(PROPOSAL, held);
  return held;
}

const PROPOSAL = 'method-proposal';
const SIGNED = ['approvals', 'retiredAt', 'invalidatedAt', 'invalidation'];

function proposalSchema(): object {
  const { $schema, $defs, properties } = readSchema('site') as {
    readonly $schema: string;
    readonly $defs: object;
    readonly properties: {
      readonly methods: {
        readonly items: {
          readonly required: readonly string[];
          readonly properties: Readonly<Record<string, object>>;
        };
      };
    };
  };
  const entry = properties.methods.items;
  const proposed = Object.entries(entry.properties).filter(([key]) => !SIGNED.includes(key));
  return {
    $schema,
    $defs,
    ...entry,
    required: entry.required.filter((key) => !SIGNED.includes(key)),
    properties: {
      ...Object.fromEntries(proposed),
      reference: {
        type: ['object', 'null'],
        additionalProperties: false,
        properties: {
          csv: { type: 'string', maxLength: 2_000_000 },
          points: {
            type: 'array',
            maxItems: 20_000,
            items: { type: 'array', minItems: 2, maxItems: 2, items: { type: 'number' } },
          },
        },
      },
      supersedes: { type: 'array', maxItems: 100, items: { $ref: '#/$defs/id' } },
    },
  };
}

/** Shape of `performance-checks.yaml`. */
export function performanceSchema(): SchemaCheck {
  return schema('performance-checks');
}

/** Shape of a receipt line announced as JSON. */
export function receiptSchema(): SchemaCheck {
  return schema('receipt-expectation');
}

/** Shape of a change of a receipt that is no announcement. */
export function receiptChangeSchema(): SchemaCheck {
  return schema('receipt-change');
}

/** Shape of `signal-limits.yaml`. */
export function signalLimitsSchema(): SchemaCheck {
  return schema('signal-limits');
}

/** Shape of `<destination>.mapping.yaml`. */
export function mappingSchema(): SchemaCheck {
  return schema('mapping');
}

/** Shape of `<source>.inbound.yaml`. */
export function inboundSchema(): SchemaCheck {
  return schema('inbound');
}
