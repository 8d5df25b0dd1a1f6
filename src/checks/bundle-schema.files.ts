import { readFileSync } from 'node:fs';
import { Ajv2020, type ErrorObject, type ValidateFunction } from 'ajv/dist/2020.js';
import { PART_ARRAYS } from './bundle-parts.js';
import { SCHEMA_FAULTS_MAX, type SchemaFault, type ValidateBundleSchema } from './schema-fault.js';

/** Two levels below the package root in `src` and in `dist` alike. */
const SCHEMA_FILE = new URL('../../schemas/result-bundle.schema.json', import.meta.url);

/** Collecting every error of a huge wrong array would need more memory than the array. */
const NODES_FOR_ALL_ERRORS = 2000;

/** The schema is our own and tests judge it: at every start of a thread that would take longer than to compile it. */
const OPTIONS = { strict: true, allowUnionTypes: true, validateSchema: false };

interface JsonSchema {
  readonly $id: string;
  readonly required: readonly string[];
  readonly properties: Readonly<Record<string, unknown>>;
}

/**
 * Reads the schema and compiles it. A whole document is first asked for its first error only; when there
 * is one, every top-level field and every element of the part arrays is asked by itself, and small ones for
 * all their errors, so that a person sees most faults at once and nothing grows beyond a bound.
 */
export function loadBundleSchema(): ValidateBundleSchema {
  const schema = JSON.parse(readFileSync(SCHEMA_FILE, 'utf8')) as JsonSchema;
  const first = new Ajv2020({ ...OPTIONS, allErrors: false });
  const all = new Ajv2020({ ...OPTIONS, allErrors: true });
  const whole = first.compile(schema);
  all.addSchema(schema);
  const compiled = new Map<string, ValidateFunction>();

  const faultsOf = (value: unknown, path: string, pointer: string): SchemaFault[] => {
    const ajv = isSmall(value) ? all : first;
    const key = `${ajv === all ? 'all' : 'first'} ${path}`;
    const validate = compiled.get(key) ?? ajv.compile({ $ref: `${schema.$id}#${path}` });
    compiled.set(key, validate);
    return validate(value) ? [] : describeErrors(validate.errors ?? [], pointer);
  };

  return (document) => {
    if (whole(document)) return [];
    if (typeof document !== 'object' || document === null || Array.isArray(document)) {
      return [{ pointer: '', message: 'expected a JSON object' }];
    }
    const faults: SchemaFault[] = [];
    for (const name of Object.keys(schema.properties)) {
      const value = (document as Readonly<Record<string, unknown>>)[name];
      if (value === undefined)
        faults.push({ pointer: '', message: `the field ${name} is missing` });
      else collect(faults, name, value, faultsOf);
      if (faults.length >= SCHEMA_FAULTS_MAX) break;
    }
    if (faults.length === 0) faults.push(...describeErrors(whole.errors ?? [], ''));
    return faults.slice(0, SCHEMA_FAULTS_MAX);
  };
}

type FaultsOf = (value: unknown, path: string, pointer: string) => SchemaFault[];

const ELEMENT_DEFINITIONS: Readonly<Record<string, string>> = {
  results: '/$defs/result',
  performanceChecks: '/$defs/performanceCheck',
};

function collect(faults: SchemaFault[], name: string, value: unknown, faultsOf: FaultsOf): void {
  const definition = ELEMENT_DEFINITIONS[name];
  const isPartArray = (PART_ARRAYS as readonly string[]).includes(name) && Array.isArray(value);
  if (definition === undefined || !isPartArray) {
    faults.push(...faultsOf(value, `/properties/${name}`, `/${name}`));
    return;
  }
  for (const [index, element] of value.entries()) {
    faults.push(...faultsOf(element, definition, `/${name}/${index}`));
    if (faults.length >= SCHEMA_FAULTS_MAX) return;
  }
}

function describeErrors(errors: readonly ErrorObject[], pointer: string): SchemaFault[] {
  const telling = errors.filter((error) => !isEcho(error, errors));
  return (telling.length > 0 ? telling : errors).map((error) => ({
    pointer: `${pointer}${error.instancePath}`,
    message: describeError(error),
  }));
}

const ECHOES: ReadonlySet<string> = new Set(['anyOf', 'oneOf', 'if', '$ref']);

/**
 * `anyOf`, `oneOf` and `if` add an error of their own after those of their branches, and a nullable field one for
 * "must be null" beside the error that says what is wrong.
 */
function isEcho(error: ErrorObject, errors: readonly ErrorObject[]): boolean {
  if (ECHOES.has(error.keyword)) return true;
  const isNullBranch = error.keyword === 'type' && error.params.type === 'null';
  return isNullBranch && errors.some((e) => e !== error && e.keyword !== 'anyOf');
}

function describeError(error: ErrorObject): string {
  const params = error.params as Readonly<Record<string, unknown>>;
  switch (error.keyword) {
    case 'required':
      return `the field ${String(params.missingProperty)} is missing`;
    case 'enum':
      return `expected one of ${(params.allowedValues as readonly unknown[]).join(', ')}`;
    case 'const':
      return `expected ${JSON.stringify(params.allowedValue)}`;
    case 'type':
      return `expected ${String(params.type)}`;
    case 'false schema':
      return 'expected no such field in this place';
    case 'pattern':
      return `expected a text of the form ${String(params.pattern)}`;
    default:
      return error.message ?? error.keyword;
  }
}

/** Counts values and stops at the bound. */
function isSmall(value: unknown): boolean {
  const waiting: unknown[] = [value];
  for (let seen = 0; waiting.length > 0; seen++) {
    const next = waiting.pop();
    if (typeof next !== 'object' || next === null) continue;
    const children = Array.isArray(next) ? next : Object.values(next);
    if (seen + waiting.length + children.length > NODES_FOR_ALL_ERRORS) return false;
    waiting.push(...(children as unknown[]));
  }
  return true;
}
