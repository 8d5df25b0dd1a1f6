import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';

const root = repositoryRoot();

/** Every address a controller answers at, with what it asks for: `GET /health/live open`. */
function addresses(): string[] {
  const files = readdirSync(join(root, 'src'), { recursive: true, encoding: 'utf8' });
  return files
    .filter((name) => name.endsWith('.controller.ts'))
    .flatMap((name) => addressesOf(readFileSync(join(root, 'src', name), 'utf8')));
}

function addressesOf(source: string): string[] {
  const base = /@Controller\((?:'([^']*)')?\)/.exec(source)?.[1] ?? '';
  const handlers = source.matchAll(
    /@(Get|Post|Put|Delete)\((?:'([^']*)'|`[^`]*`)?\)[\s\S]*?@RequireScope\('([^']+)'\)/g,
  );
  return [...handlers]
    .filter((match) => !match[0].includes('`/assets/'))
    .map(([, verb = '', path = '', need = '']) => {
      const parts = [base, path].join('/').split('/').filter(Boolean);
      const address = parts.map((part) => part.replace(/^:(.+)$/, '{$1}')).join('/');
      return `${verb.toUpperCase()} /${address} ${need}`;
    });
}

const NEEDS: Readonly<Record<string, string>> = {
  nothing: 'open',
  '`read`, or this machine': 'pages',
  'this machine’s commands': 'control',
  "this machine's commands": 'control',
};

describe('docs/wire.md', () => {
  test('lists every address the service answers at, with what it needs, and no other', () => {
    const page = readFileSync(join(root, 'docs', 'wire.md'), 'utf8');
    const listed = tableRows(page, ['Request', 'Needs', 'Answers']).map(
      ([request = '', needs = '']) =>
        `${request.replaceAll('`', '')} ${NEEDS[needs] ?? needs.replaceAll('`', '')}`,
    );
    const answered = addresses();
    expect(answered.length).toBeGreaterThan(5);
    expect([...listed].sort()).toEqual([...answered].sort());
  });
});
