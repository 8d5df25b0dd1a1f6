import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { repositoryRoot } from '../support/shared.js';

const root = repositoryRoot();
const page = readFileSync(join(root, 'docs', 'site-folder.md'), 'utf8');

interface Schema {
  readonly properties?: Readonly<Record<string, Schema>>;
  readonly items?: Schema;
  readonly $defs?: Readonly<Record<string, Schema>>;
}

function schema(name: string): Schema {
  return JSON.parse(readFileSync(join(root, 'schemas', name), 'utf8')) as Schema;
}

const keys = (of: Schema | undefined): string[] => Object.keys(of?.properties ?? {});

/** Keys the page explains: code in the first cell of a table row. */
const explained = new Set(
  [...page.matchAll(/^\| ((?:`[^`]+`(?:, )?)+) +\|/gm)].flatMap((row) =>
    [...(row[1] ?? '').matchAll(/`([^`]+)`/g)].map((cell) => cell[1] ?? ''),
  ),
);

describe('docs/site-folder.md', () => {
  const site = schema('site.schema.json');
  const mapping = schema('mapping.schema.json');

  test.each([
    ['site.yaml', keys(site)],
    ['a destination', keys(site.properties?.['destinations']?.items)],
    ['a mapping', keys(mapping)],
    ['a message', keys(mapping.$defs?.['message'])],
  ])('explains every key of %s that the schema knows', (_what, known) => {
    expect(known.length).toBeGreaterThan(3);
    const others = known.filter((key) => !explained.has(key) && key !== 'name' && key !== 'title');
    expect(others).toEqual([]);
  });
});
