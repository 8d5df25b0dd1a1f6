import { subscribe, unsubscribe } from 'node:diagnostics_channel';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { PROGRAM_ROLES, ROLES } from '../../src/access/rights.js';
import { listRoutes } from '../../src/route-list.module.js';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';
import { type Browser, makePerson, signIn } from '../support/signed-in.js';

/** docs/rights.md against the running gateway: every address that it registered, asked as everybody. */

const PEOPLE = ROLES.filter((role) => !PROGRAM_ROLES.has(role));
const SCOPES = ['bundle:write', 'expectation:write', 'method:write', 'statement:read', 'read'];
const CALLERS = ['nobody', ...PEOPLE, ...SCOPES.map((scope) => `key ${scope}`), 'command line'];
/** How the guard says no; whatever else is answered came from behind it. */
const REFUSALS = ['key-missing', 'key-invalid', 'scope-missing', 'right-missing', 'session-over'];

interface Registered {
  readonly method: string | string[];
  readonly url: string;
}

let registered: string[] = [];
let world: GatewayWorld;
const browsers = new Map<string, Browser>();
const keys = new Map<string, string>();

/** Fastify says of each instance that it was made; what it registers is read off itself, not off our marks. */
function watchRoutes(message: unknown): void {
  const { fastify } = message as {
    fastify: { addHook(name: 'onRoute', hook: (route: Registered) => void): void };
  };
  // The stand-ins of a world are made first; the gateway is the last.
  const routes: string[] = [];
  registered = routes;
  fastify.addHook('onRoute', ({ method, url }) => {
    for (const one of [method].flat()) if (one !== 'HEAD') routes.push(`${one} ${url}`);
  });
}

beforeAll(async () => {
  subscribe('fastify.initialization', watchRoutes);
  world = await GatewayWorld.open({ work: false });
  unsubscribe('fastify.initialization', watchRoutes);
  await makePerson(world, 'administrator', ['administrator']);
  for (const role of PEOPLE.slice(0, -1)) await makePerson(world, role, [role]);
  for (const role of PEOPLE) browsers.set(role, await signIn(world, role));
  for (const scope of SCOPES) {
    keys.set(`key ${scope}`, await world.createKey(scope, { scopes: [scope] }));
  }
}, 120_000);

afterAll(() => world.close());

const page = readFileSync(join(repositoryRoot(), 'docs', 'rights.md'), 'utf8');
const table = tableRows(page, ['Address', 'Needs', ...CALLERS]).map(
  ([address = '', needs = '', ...cells]) => ({
    address: address.replaceAll('`', ''),
    needs,
    cells: new Map(CALLERS.map((caller, i) => [caller, cells[i]])),
  }),
);

const withoutDigest = (address: string) => address.replace(/-[0-9a-f]{12}(?=\.)/, '-…');

async function answerTo(caller: string, method: string, path: string): Promise<HttpAnswer> {
  const browser = browsers.get(caller);
  const key = caller === 'command line' ? world.controlToken : (keys.get(caller) ?? null);
  const body = method === 'GET' ? {} : { body: '' };
  return world.http({
    path: path.replace(/:\w+/g, 'none'),
    method: method as 'GET' | 'POST' | 'DELETE',
    key,
    headers: {
      'content-type': 'application/x-www-form-urlencoded',
      origin: new URL(world.url).origin,
      'x-form-token': browser?.token ?? '',
      ...(browser ? { cookie: browser.cookie } : {}),
    },
    ...body,
  });
}

describe('docs/rights.md', () => {
  it('lists every address that the gateway registered, and no other', () => {
    expect(registered.length).toBeGreaterThan(20);
    const served = [...new Set(registered.map(withoutDigest))].sort();
    expect(table.map((row) => row.address).sort()).toEqual(served);
  });

  it('knows no address without a mark', () => {
    expect(listRoutes().filter(({ mark }) => mark === null)).toEqual([]);
    expect(table.filter(({ needs }) => needs === 'nobody' || needs === '')).toEqual([]);
  });

  it('says of each what the gateway answers to nobody, to every role, to every scope and to a command', async () => {
    const wrong: string[] = [];
    // Signing out comes last: whoever did so is nobody afterwards.
    const routes = registered.toSorted(
      (a, b) => Number(/sign-out/.test(a)) - Number(/sign-out/.test(b)),
    );
    for (const route of routes) {
      const [method = '', path = ''] = route.split(' ');
      const row = table.find(({ address }) => address === withoutDigest(route));
      for (const caller of CALLERS) {
        const answer = await answerTo(caller, method, path);
        const isRefused =
          (answer.status === 401 || answer.status === 403) &&
          REFUSALS.includes(String(answer.json['code']));
        if (row?.cells.get(caller) !== (isRefused ? '–' : 'yes')) {
          wrong.push(`${route} as ${caller}: ${answer.status} ${answer.text.slice(0, 100)}`);
        }
      }
    }
    expect(wrong).toEqual([]);
  }, 120_000);
});
