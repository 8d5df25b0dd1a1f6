import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { Ajv2020 } from 'ajv/dist/2020.js';
import { describe, expect, it } from 'vitest';
import { repositoryRoot } from '../support/shared.js';

const FOLDER = join(repositoryRoot(), 'schemas');
const names = readdirSync(FOLDER).filter((name) => name.endsWith('.schema.json'));

/** The service compiles its schemas without this: a mistake in one must be found here. */
describe('our own schemas', () => {
  const ajv = new Ajv2020();

  it('are there', () => expect(names.length).toBeGreaterThan(10));

  it.each(names)('%s is a schema by the meta-schema of JSON Schema 2020-12', (name) => {
    const schema = JSON.parse(readFileSync(join(FOLDER, name), 'utf8')) as { $schema?: string };
    expect(schema.$schema).toBe('https://json-schema.org/draft/2020-12/schema');
    expect(ajv.validateSchema(schema), JSON.stringify(ajv.errors)).toBe(true);
  });

  it('are told from what is none', () => {
    expect(ajv.validateSchema({ type: 'txt' })).toBe(false);
    expect(ajv.validateSchema({ properties: { a: { minLength: -1 } } })).toBe(false);
  });
});
