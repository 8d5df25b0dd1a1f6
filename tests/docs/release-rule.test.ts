import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { repositoryRoot } from '../support/shared.js';

/** The example of docs/release-rule.md is run as it is printed. */

interface Answer {
  readonly yes: boolean;
  readonly reason?: string;
}
type MayUse = (
  receiptId: string,
  container: string,
  mine: object,
  last: object,
  now: number,
) => Promise<Answer>;

function exampleClient(fetchImpl: (url: string) => Promise<unknown>): MayUse {
  const page = readFileSync(join(repositoryRoot(), 'docs', 'release-rule.md'), 'utf8');
  const code = /```js\n(.*?)```/s.exec(page)?.[1];
  if (code === undefined) throw new Error('the page has no example');
  const build = new Function('fetch', 'gateway', 'key', `${code}; return mayUse;`);
  return build(fetchImpl, 'https://gateway.invalid', 'key') as MayUse;
}

const NOW = Date.parse('2026-06-04T13:20:00Z');
const MINE = {
  environment: 'production',
  material: 'NQ-1001',
  siteLot: 'SL-1',
  clockMarginMs: 2_000,
};
const LAST = { highestRevision: 4, isStopped: false };
const GOOD = {
  schema: 'drumline-statement',
  version: '1.0',
  environment: 'production',
  receipt: { receiptId: 'R/1', material: 'NQ-1001', siteLot: 'SL-1' },
  revision: 4,
  outcome: 'conforms',
  validUntil: '2026-06-04T13:29:00.000000Z',
  containers: [
    { label: 'D-1', state: 'covered' },
    { label: 'D-2', state: 'not-required' },
  ],
  stopInForce: null,
};

async function ask(change: object, container = 'D-1', last: object = LAST, status = 200) {
  const urls: string[] = [];
  const mayUse = exampleClient((url) => {
    urls.push(url);
    return Promise.resolve({ status, json: () => Promise.resolve({ ...GOOD, ...change }) });
  });
  const answer = await mayUse('R/1', container, MINE, last, NOW);
  expect(urls).toEqual(['https://gateway.invalid/api/v1/receipts/R%2F1/statement']);
  return answer;
}

describe('the example client of docs/release-rule.md', () => {
  test('uses a covered container under a fresh exact conforms', async () => {
    expect(await ask({})).toEqual({ yes: true, revision: 4 });
  });

  test.each<[string, object]>([
    ['another outcome', { outcome: 'does-not-conform' }],
    ['incomplete', { outcome: 'incomplete' }],
    ['an outcome that only looks alike', { outcome: 'Conforms' }],
    ['a missing outcome', { outcome: undefined }],
    ['another environment', { environment: 'training' }],
    ['an unknown version', { version: '2.0' }],
    ['another receipt', { receipt: { ...GOOD.receipt, receiptId: 'R/2' } }],
    ['another material', { receipt: { ...GOOD.receipt, material: 'NQ-1002' } }],
    ['another lot', { receipt: { ...GOOD.receipt, siteLot: null } }],
    ['a time that is over', { validUntil: '2026-06-04T13:19:59.000000Z' }],
    ['a time within the clock margin', { validUntil: '2026-06-04T13:20:01.000000Z' }],
    ['a time that cannot be read', { validUntil: 'soon' }],
    ['an older revision', { revision: 3 }],
    ['no revision', { revision: undefined }],
    ['a stop in force', { stopInForce: { kind: 'suspend' } }],
    ['no word about stops', { stopInForce: undefined }],
    ['no containers', { containers: [] }],
    ['a label listed twice', { containers: [...GOOD.containers, ...GOOD.containers] }],
  ])('refuses %s', async (_name, change) => {
    expect((await ask(change)).yes).toBe(false);
  });

  test('refuses a container that is not covered or not listed', async () => {
    expect((await ask({}, 'D-2')).yes).toBe(false);
    expect((await ask({}, 'D-3')).yes).toBe(false);
  });

  test('refuses while it holds a stop of its own', async () => {
    expect((await ask({}, 'D-1', { ...LAST, isStopped: true })).yes).toBe(false);
  });

  test.each([204, 301, 401, 404, 500, 503])('refuses on status %d', async (status) => {
    expect((await ask({}, 'D-1', LAST, status)).yes).toBe(false);
  });

  test('refuses when the gateway cannot be reached or answers no JSON', async () => {
    const gone = exampleClient(() => Promise.reject(new Error('refused connection')));
    expect((await gone('R/1', 'D-1', MINE, LAST, NOW)).yes).toBe(false);
    const garbled = exampleClient(() =>
      Promise.resolve({ status: 200, json: () => Promise.reject(new SyntaxError('bad')) }),
    );
    expect((await garbled('R/1', 'D-1', MINE, LAST, NOW)).yes).toBe(false);
  });
});
