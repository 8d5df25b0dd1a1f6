import { randomBytes } from 'node:crypto';
import { mkdirSync, readdirSync, readFileSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import type { Kysely } from 'kysely';
import { afterEach, describe, expect, it } from 'vitest';
import { readControl } from '../../src/access/control.files.js';
import { MASKED } from '../../src/access/secret-mask.js';
import { WELL_BEHAVED } from '../../src/simulation/misbehaviour.js';
import { startStandInErp } from '../../src/simulation/stand-in-erp.server.js';
import { startStandInLims } from '../../src/simulation/stand-in-lims.server.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import { anchoredClock } from '../../src/storage/clock.js';
import type { Tables } from '../../src/storage/tables.js';
import { Dock, type DockWorld, drum, EAST, receiptOf } from '../support/dock.js';
import { readyLine, runDrumline } from '../support/drumline-process.js';
import { EchoingFront } from '../support/echoing-front.js';
import { leaks, planted, secretFile } from '../support/planted.js';
import { describeWithRedis, OwnRedis } from '../support/redis.js';
import { replacing } from '../support/site-edits.js';
import { northquayWith } from '../support/site-folder-copy.js';
import {
  isPostgres,
  readerOf,
  temporaryDirectory,
  temporaryPlace,
} from '../support/temp-database.js';
import { until } from '../support/until.js';

/**
 * Secrets that can be recognised are planted wherever they can come in, and looked for wherever something is kept or
 * shown. The way in is always the real one: files, environment, addresses, headers.
 */

const INNER = { token: 'token-of-the-stand-in' };
const NOISY = { DRUMLINE_LOG_LEVEL: 'debug' };
const ends: (() => Promise<unknown>)[] = [];

afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

const shorterWaits = (text: string) =>
  text
    .replaceAll('processingMs: 400', 'processingMs: 30')
    .replaceAll('settleMs: 500', 'settleMs: 60')
    // Long enough to put a new secret in place between a refusal and the next attempt.
    .replaceAll('retryBaseMs: 200', 'retryBaseMs: 1000');

const group = isPostgres ? describeWithRedis : describe;

group('planted secrets', () => {
  it('are in no log, table, page, problem document or findings file, whatever destinations echo, and are rotated without a restart', async () => {
    const secrets: Record<string, string> = {
      lims: planted('lims'),
      limsAfter: planted('lims-after'),
      erp: planted('erp'),
      databasePassword: planted('database'),
      redisPassword: planted('redis'),
      unknownKey: `dlk_${randomBytes(32).toString('base64url')}`,
    };
    const { lims: limsToken = '', limsAfter = '', erp: erpToken = '' } = secrets;
    const clock = anchoredClock();
    const common = { clock, journal: null, askable: true, token: INNER.token };
    const standIns = { ...common, processingMs: 5, schedule: WELL_BEHAVED };
    const limsInner = await startStandInLims({ ...standIns, honoursKey: false });
    const erpInner = await startStandInErp({
      ...standIns,
      honoursKey: true,
      environment: 'training',
      holdingMs: 200,
      roundMs: 60_000,
    });
    const lims = await EchoingFront.start({ ...INNER, url: limsInner.url }, limsToken);
    const erp = await EchoingFront.start({ ...INNER, url: erpInner.url }, erpToken);
    for (const each of [limsInner, erpInner, lims, erp]) ends.push(() => each.close());

    const limsFile = secretFile(limsToken);
    const siteFolder = northquayWith({
      'site.yaml': (text) =>
        shorterWaits(replacing('env:NORTHQUAY_LIMS_TOKEN', `file:${limsFile}`)(text)),
    });
    const place = await temporaryPlace();
    const watch = join(temporaryDirectory(), 'watch');
    mkdirSync(watch);
    const gateway = runDrumline(
      [
        ...['serve', '--json', '--port', '0', '--data', place.dataDirectory],
        ...['--site-folder', siteFolder, '--watch', watch],
      ],
      {
        env: {
          ...NOISY,
          NORTHQUAY_LIMS_URL: lims.url,
          NORTHQUAY_ERP_URL: erp.url,
          NORTHQUAY_ERP_TOKEN: erpToken,
          ...(await serverPair(place.databaseUrl, secrets)),
        },
      },
    );
    const { url = '' } = await readyLine(gateway);
    // Refused after half a minute without a change, since until then somebody may be writing it: what else there is to see
    // happens meanwhile.
    writeFileSync(join(watch, 'broken.json'), `{"format": "drumline`);
    const control = readControl(place.dataDirectory)?.token ?? '';
    secrets['control'] = control;
    const shown: string[] = [];
    const ask = (path: string, key: string | null, init: RequestInit = {}) =>
      fetch(new URL(path, url), {
        ...init,
        headers: { ...(key === null ? {} : { authorization: `Bearer ${key}` }), ...init.headers },
      });
    const made = await ask('/api/v1/keys', control, {
      method: 'POST',
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({
        site: 'northquay',
        name: 'everything',
        scopes: ['bundle:write', 'expectation:write', 'statement:read', 'read'],
      }),
    });
    const { key } = (await made.json()) as { key: string };
    secrets['apiKey'] = key;
    const db = readerOf(place);
    ends.push(() => db.destroy());
    const attempted = (status: number | null, outcome: string) => async () =>
      (await db.selectFrom('attempt').select(['status', 'outcome']).execute()).some(
        (row) => row.status === status && row.outcome === outcome,
      );
    const confirmed = (count: number) => async () => {
      const rows = await db
        .selectFrom('delivery')
        .select('id')
        .where('destination', '=', 'lims')
        .where('state', '=', 'confirmed')
        .execute();
      return rows.length >= count;
    };

    const drums = [1, 2, 3, 4, 5].map((n) => drum(1, n));
    const receipt = receiptOf(1, { drums });
    const dock = new Dock(await dockWorld(siteFolder, ask, key));
    await dock.announce(receipt);
    const measure = async (n: number) => {
      dock.measure(EAST[0], receipt, drums[n - 1]?.label ?? '');
      await dock.sync(EAST[0]);
    };

    await measure(1);
    await until('the first result is confirmed', confirmed(1));
    lims.accepts = limsAfter;
    await measure(2);
    await until('the old token is refused', () => lims.denied > 0);
    writeFileSync(limsFile, limsAfter);
    await until('the new token is used', confirmed(2));
    lims.refuses = 400;
    await measure(3);
    await until('a result is rejected', attempted(400, 'rejected'));
    lims.refuses = 500;
    await measure(4);
    await until('a result is uncertain', attempted(500, 'uncertain'));
    await lims.close();
    await measure(5);
    await until('nobody listens', attempted(null, 'unavailable'));
    // An ERP that no longer takes its token either: parked after the second refusal.
    erp.accepts = 'another-token';
    await until('the ERP refuses', async () => {
      await dock.announce(receiptOf(2, { drums: [drum(2, 1)] }));
      return attempted(401, 'credentials')();
    });

    const refused = () =>
      readdirSync(watch).includes('refused') && readdirSync(join(watch, 'refused')).length === 2;
    await until('the file is refused, with its findings', refused, 60_000);

    for (const [path, presented] of [
      ['/', key],
      [`/receipts/${receipt.id}`, key],
      ['/nowhere', key],
      [`/api/v1/receipts/${receipt.id}/statement`, key],
      ['/api/v1/reconciliation', key],
      ['/api/v1/keys', control],
      ['/api/v1/keys', key],
      ['/api/v1/bundles/none', secrets['unknownKey'] ?? ''],
      ['/api/v1/bundles/none', null],
    ] as const) {
      shown.push(await (await ask(path, presented)).text());
      shown.push(await (await ask(path, presented, { headers: { accept: 'text/html' } })).text());
    }
    const odd = await ask('/api/v1/bundles', key, { method: 'POST', body: '{"a":' });
    shown.push(await odd.text());
    const wrong = runDrumline(['key', 'list', '--data', place.dataDirectory], { env: NOISY });
    await wrong.ended;

    gateway.child.kill('SIGTERM');
    expect(await gateway.ended, gateway.said.err).toBe(0);
    const tables = await everyTable(db);
    const heaps = {
      log: gateway.said.err + gateway.said.out,
      'command line': wrong.said.err + wrong.said.out,
      tables: textOf(tables),
      'pages and problem documents': shown.join('\n'),
      'watched folder': filesUnder(watch).join('\n'),
    };
    for (const [where, heap] of Object.entries(heaps)) {
      expect(heap.length, where).toBeGreaterThan(0);
      expect(leaks(heap, secrets), where).toEqual([]);
    }
    // On SQLite the pages of the file too, with what was deleted in them; on PostgreSQL nothing is left there.
    expect(leaks(filesUnder(place.dataDirectory).join('\n'), secrets)).toEqual([]);
    // What was looked through did hold the echoes: each kind of answer is there, without them.
    const answers = (tables['attempt'] ?? []) as Record<string, unknown>[];
    for (const status of [200, 201, 400, 401, 500]) {
      const rows = answers.filter((row) => row['status'] === status);
      expect(rows.map((row) => String(row['answer'])).join(), `status ${status}`).toContain(MASKED);
    }
    expect(textOf({ rows: tables['delivery'] ?? [] })).toContain(`status 400: Bearer ${MASKED}`);
    expect(heaps['pages and problem documents']).toContain(MASKED);
  }, 150_000);
});

/** The pair of this run, with planted passwords; nothing for SQLite. */
async function serverPair(
  databaseUrl: string | null,
  { databasePassword = '', redisPassword = '' }: Readonly<Record<string, string>>,
): Promise<Record<string, string>> {
  if (databaseUrl === null) return {};
  const redis = await OwnRedis.start('--requirepass', redisPassword);
  ends.push(() => redis.end());
  const database = new URL(databaseUrl);
  database.password = encodeURIComponent(databasePassword);
  return {
    DATABASE_URL: `file:${secretFile(database.href)}`,
    REDIS_URL: redis.url.replace('//', `//:${encodeURIComponent(redisPassword)}@`),
  };
}

async function dockWorld(
  siteFolder: string,
  ask: (path: string, key: string, init?: RequestInit) => Promise<Response>,
  key: string,
): Promise<DockWorld> {
  const loaded = await loadSiteFolder(siteFolder, process.env);
  if (!loaded.ok) throw new Error(JSON.stringify(loaded.faults));
  const post = async (path: string, type: string, body: string | Uint8Array, name: string) => {
    const headers = { 'content-type': type, 'idempotency-key': `"${name}"` };
    const answer = await ask(path, key, { method: 'POST', headers, body: Buffer.from(body) });
    const text = await answer.text();
    return { status: answer.status, text, json: JSON.parse(text) as Record<string, unknown> };
  };
  const unused = () => Promise.reject(new Error('not asked for here'));
  return {
    site: loaded.site,
    clock: anchoredClock(),
    announce: async (csv) => ({
      headers: {},
      ...(await post('/api/v1/expectations', 'text/csv', csv, 'announce')),
    }),
    take: async ({ bytes, sha256 }) => {
      const { status, text } = await post('/api/v1/bundles', 'application/json', bytes, sha256);
      if (status !== 202) throw new Error(`a bundle was answered ${text}`);
      return { intakeId: '', state: 'received', duplicateOf: null, findings: [] };
    },
    says: unused,
    quiet: unused,
  };
}

/** Every row of every table, bytes as Latin-1 text. */
async function everyTable(db: Kysely<Tables>): Promise<Record<string, unknown[]>> {
  const tables = await db.introspection.getTables({ withInternalKyselyTables: true });
  expect(tables.length).toBeGreaterThan(20);
  const rows: Record<string, unknown[]> = {};
  for (const { name } of tables) {
    const found = await db
      .selectFrom(name as keyof Tables)
      .selectAll()
      .execute();
    rows[name] = found.map((row) =>
      Object.fromEntries(
        Object.entries(row).map(([column, value]) => [
          column,
          value instanceof Uint8Array ? Buffer.from(value).toString('latin1') : value,
        ]),
      ),
    );
  }
  return rows;
}

/** One value a line, as it stands there. */
function textOf(tables: Readonly<Record<string, readonly unknown[]>>): string {
  const rows = Object.values(tables).flat() as Record<string, unknown>[];
  return rows.flatMap((row) => Object.values(row).map(String)).join('\n');
}

function filesUnder(folder: string): string[] {
  return readdirSync(folder, { recursive: true, encoding: 'utf8' })
    .map((name) => join(folder, name))
    .filter((path) => statSync(path).isFile())
    .map((path) => `${path}\n${readFileSync(path, 'latin1')}`);
}
