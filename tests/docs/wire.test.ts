import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import type { Need } from '../../src/access/need.js';
import { scopeGiving } from '../../src/access/rights.js';
import { listRoutes } from '../../src/route-list.module.js';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';

const root = repositoryRoot();

/** Every address a handler answers at, with what it asks for: `GET /health/live nothing`. */
function addresses(): string[] {
  return listRoutes()
    .filter(({ path }) => !path.startsWith('/assets/'))
    .map(({ method, path, mark }) => {
      const address = path.replace(/:(\w+)/g, '{$1}');
      return `${method} ${address} ${mark === null ? 'nobody' : wordOf(mark.need)}`;
    });
}

/** What the page calls a need: the scope by which keys meet it, where they do. */
function wordOf(need: Need): string {
  if (need === 'open') return 'nothing';
  return need === 'signed-in' ? 'a person' : (scopeGiving(need) ?? need);
}

describe('docs/wire.md', () => {
  test('lists every address the service answers at, with what it needs, and no other', () => {
    const page = readFileSync(join(root, 'docs', 'wire.md'), 'utf8');
    const listed = tableRows(page, ['Request', 'Needs', 'Answers']).map(
      ([request = '', needs = '']) => `${request} ${needs}`.replaceAll('`', ''),
    );
    const answered = addresses();
    expect(answered.length).toBeGreaterThan(5);
    expect([...listed].sort()).toEqual([...answered].sort());
  });
});
