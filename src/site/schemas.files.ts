import { readFileSync } from 'node:fs';
import { Ajv2020 } from 'ajv/dist/2020.js';
import type { SchemaCheck } from './schema-faults.js';

/** More than a person reads at once. */
const FAULTS_MAX = 500;

/** Compiles one of the project's own schemas (`schemas/NAME.schema.json`), beside `src` and `dist` alike. */
function compileSchema(name: string): SchemaCheck {
  const url = new URL(`../../schemas/${name}.schema.json`, import.meta.url);
  const ajv = new Ajv2020({ allErrors: true, verbose: true, strict: true, ownProperties: true });
  const validate = ajv.compile(JSON.parse(readFileSync(url, 'utf8')) as object);
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

/** Shape of `<destination>.mapping.yaml`. */
export function mappingSchema(): SchemaCheck {
  return schema('mapping');
}

/** Shape of `<source>.inbound.yaml`. */
export function inboundSchema(): SchemaCheck {
  return schema('inbound');
}
