import type { ErrorObject } from 'ajv';
import type { DocumentPath, RuleFault } from './site-fault.js';

/** Compiled schema: the errors of a value, none when it fits. Compile with `allErrors` and `verbose`. */
export type SchemaCheck = (value: unknown) => readonly ErrorObject[];

/** What a schema found, in words with a remedy. Combinators add nothing to what their branches say. */
export function schemaFaults(errors: readonly ErrorObject[]): RuleFault[] {
  return errors
    .filter((error) => !['if', 'allOf', 'anyOf', 'oneOf'].includes(error.keyword))
    .map(toFault);
}

/** `/methods/0/range` as the steps it is made of (RFC 6901). */
export function pointerSteps(pointer: string): string[] {
  return pointer
    .split('/')
    .slice(1)
    .map((step) => step.replaceAll('~1', '/').replaceAll('~0', '~'));
}

function toFault(error: ErrorObject): RuleFault {
  const path: DocumentPath = pointerSteps(error.instancePath);
  const place = error.instancePath === '' ? 'the file' : error.instancePath;
  const params = error.params as Readonly<Record<string, unknown>>;
  const fault = (message: string, remedy: string): RuleFault => ({
    path,
    rule: `schema-${error.keyword}`,
    message,
    remedy,
  });
  switch (error.keyword) {
    case 'additionalProperties':
    case 'unevaluatedProperties':
      return unknownKey(
        error,
        path,
        String(params['additionalProperty'] ?? params['unevaluatedProperty']),
      );
    case 'required':
      return fault(
        `${place} lacks the key ${JSON.stringify(params['missingProperty'])}`,
        'Add it; the schema of the file says what it holds.',
      );
    case 'enum':
      return fault(
        `${place} is ${shown(error.data)}, expected one of ${(params['allowedValues'] as unknown[]).map(shown).join(', ')}`,
        'Write one of the values listed.',
      );
    case 'const':
      return fault(
        `${place} is ${shown(error.data)}, expected ${shown(params['allowedValue'])}`,
        'Write the value expected.',
      );
    case 'type':
      return fault(
        `${place} ${isSecret(error) ? 'is not shown' : `is ${shown(error.data)}`}, expected ${String(params['type'])}`,
        params['type'] === 'string' && typeof error.data === 'number'
          ? 'Write it between quotes, so that its digits stay as they are written.'
          : 'Write a value of the type expected.',
      );
    case 'propertyNames':
      return {
        ...fault(`${place} has a key that is not accepted`, 'Rename the key.'),
        onKey: true,
      };
    default:
      return fault(
        `${place} ${isSecret(error) ? 'is not shown' : `is ${shown(error.data)}`}, and ${error.message ?? 'breaks the schema'}`,
        description(error) ?? 'Write a value within what the schema allows.',
      );
  }
}

function unknownKey(error: ErrorObject, path: DocumentPath, key: string): RuleFault {
  const properties = error.parentSchema?.['properties'] as object | undefined;
  const known = properties ? ` Known here: ${Object.keys(properties).join(', ')}.` : '';
  return {
    path: [...path, key],
    onKey: true,
    rule: 'schema-unknown-key',
    message: `${error.instancePath === '' ? 'the file' : error.instancePath} has the unknown key ${JSON.stringify(key)}`,
    remedy: `Remove it or correct its spelling.${known}`,
  };
}

/** Where a secret may be written by mistake: JSON Schema marks such a place as never to be shown again. */
function isSecret(error: ErrorObject): boolean {
  return error.parentSchema?.['writeOnly'] === true;
}

function description(error: ErrorObject): string | null {
  const text: unknown = error.parentSchema?.['description'];
  return typeof text === 'string' ? text : null;
}

function shown(value: unknown): string {
  const text = JSON.stringify(value) ?? 'nothing';
  return text.length > 80 ? `${text.slice(0, 77)}…` : text;
}
