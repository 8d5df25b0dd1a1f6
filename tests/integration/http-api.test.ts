import { createHash, randomBytes } from 'node:crypto';
import { gzipSync } from 'node:zlib';
import { sql } from 'kysely';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { apiKeyDigest, formatApiKey } from '../../src/access/api-key.js';
import type { Instant } from '../../src/formats/instant.js';
import { Dock, EAST, receiptOf, remade } from '../support/dock.js';
import { GatewayWorld, type HttpAnswer, type HttpAsk } from '../support/gateway-world.js';
import { replacing } from '../support/site-edits.js';

/** Everything a caller can get wrong, over real HTTP, against the whole wired gateway. */

const BYTES_MAX = 100_000;
const BUNDLE = { 'content-type': 'application/json', 'idempotency-key': '"k-1"' };
const CSV = { 'content-type': 'text/csv' };

let world: GatewayWorld;
let dock: Dock;

beforeAll(async () => {
  const smaller = replacing('bundleBytesMax: 33554432', `bundleBytesMax: ${BYTES_MAX}`);
  world = await GatewayWorld.open({ edits: { 'site.yaml': smaller } });
  dock = new Dock(world);
});

afterAll(async () => {
  await world.close();
});

/** How many rows every table holds that a caller could fill. That a key was used is noted in any case. */
async function rowCounts(): Promise<Record<string, number>> {
  const counts: Record<string, number> = {};
  for (const table of [
    'raw_bytes',
    'bundle',
    'intake_key',
    'finding',
    'receipt',
    'discrepancy',
    'statement_pull',
  ] as const) {
    const rows = await world.db.selectFrom(table).select(sql`1`.as('one')).execute();
    counts[table] = rows.length;
  }
  const trail = await world.db.selectFrom('audit_entry').select('action').execute();
  counts['trail'] = trail.filter((entry) => entry.action !== 'key.used').length;
  return counts;
}

function expectProblem(answer: HttpAnswer, status: number, code: string): void {
  expect(answer.json).toMatchObject({ status, code, type: `urn:drumline:problem:${code}` });
  expect(answer.status).toBe(status);
  expect(answer.headers['content-type']).toMatch(/^application\/problem\+json/);
  for (const field of ['title', 'detail', 'advice']) expect(answer.json[field]).not.toBe('');
  expect(answer.text).not.toMatch(/\bat .*\.[jt]s\b|node_modules|SQLITE|\bselect\b.*\bfrom\b/i);
  expect(answer.text).not.toContain(world.directory);
  expect(answer.text).not.toContain(process.cwd());
}

describe('a caller who is nobody', () => {
  const asks: readonly [string, HttpAsk][] = [
    ['a bundle', { path: '/api/v1/bundles', headers: BUNDLE, body: '{"bundleId":"B-1"}' }],
    ['a bundle too large', { path: '/api/v1/bundles', headers: BUNDLE, body: 'x'.repeat(200_000) }],
    ['receipt lines', { path: '/api/v1/expectations', headers: CSV, body: 'receipt_id\nR-1\n' }],
    ['a statement', { path: '/api/v1/receipts/R-1/statement' }],
    ['a bundle by id', { path: '/api/v1/bundles/B-1' }],
    ['the reconciliation', { path: '/api/v1/reconciliation' }],
    ['the keys', { path: '/api/v1/keys' }],
  ];

  it.each(asks)('gets 401 with a challenge for %s, and leaves no row', async (_name, ask) => {
    const before = await rowCounts();
    const answer = await world.http({ ...ask, key: null });
    expectProblem(answer, 401, 'key-missing');
    expect(answer.headers['www-authenticate']).toBe('Bearer realm="drumline"');
    expect(await rowCounts()).toEqual(before);
  });

  it('gets 401 with a key nobody made, with one that expired and with one that was revoked', async () => {
    const scopes = ['statement:read'];
    const expired = await storedKey({ site: 'northquay', scopes, expiresAt: world.clock.now() });
    const revoked = await world.createKey('gone', { scopes });
    const path = '/api/v1/receipts/R-1/statement';
    expect((await world.http({ path, key: revoked })).status).toBe(200);
    await revoke('gone');
    for (const [key, word] of [
      [`dlk_${'A'.repeat(43)}`, 'unknown'],
      [expired, 'expired'],
      [revoked, 'revoked'],
    ] as const) {
      const answer = await world.http({ path, key });
      expectProblem(answer, 401, 'key-invalid');
      expect(answer.json['detail']).toContain(word);
      expect(answer.headers['www-authenticate']).toBe('Bearer realm="drumline"');
      expect(answer.text).not.toContain(key);
    }
  });
});

async function revoke(name: string): Promise<void> {
  const { json } = await world.http({ path: '/api/v1/keys', key: world.controlToken });
  const keys = json['keys'] as { id: string; name: string }[];
  const id = keys.find((key) => key.name === name)?.id;
  const ask = { method: 'DELETE', key: world.controlToken } as const;
  const answer = await world.http({ path: `/api/v1/keys/${id}?reason=test`, ...ask });
  expect(answer.status).toBe(200);
}

describe('a caller who is somebody else', () => {
  it.each([
    ['statement:read', { path: '/api/v1/bundles', headers: BUNDLE, body: '{}' }],
    ['statement:read', { path: '/api/v1/expectations', headers: CSV, body: 'x' }],
    ['bundle:write', { path: '/api/v1/receipts/R-1/statement' }],
    ['bundle:write', { path: '/api/v1/reconciliation' }],
    ['read', { path: '/api/v1/bundles/B-1' }],
    ['read', { path: '/api/v1/keys' }],
  ] satisfies [string, HttpAsk][])('gets 403 with scope %s alone for %o', async (scope, ask) => {
    const key = await world.createKey(`only ${scope}`, { scopes: [scope] });
    const before = await rowCounts();
    expectProblem(await world.http({ ...ask, key }), 403, 'scope-missing');
    expect(await rowCounts()).toEqual(before);
  });

  it('gets 403 with the key of another site, whatever it may do there', async () => {
    const key = await storedKey({ site: 'southquay', scopes: ['bundle:write'], expiresAt: null });
    const before = await rowCounts();
    const answer = await world.http({ path: '/api/v1/bundles', key, headers: BUNDLE, body: '{}' });
    expectProblem(answer, 403, 'site-mismatch');
    expect(await rowCounts()).toEqual(before);
  });
});

/** A key that no address makes: put into the database as it would have got there. */
async function storedKey(key: {
  readonly site: string;
  readonly scopes: readonly string[];
  readonly expiresAt: number | null;
}): Promise<string> {
  const secret = formatApiKey(randomBytes(32));
  await world.write((db) =>
    db
      .insertInto('api_key')
      .values({
        id: `key of ${key.site}`,
        site: key.site,
        name: 'sync',
        scopes: JSON.stringify(key.scopes),
        secret_sha256: apiKeyDigest(secret),
        created_at: 0 as Instant,
        expires_at: key.expiresAt as Instant | null,
        last_used_at: null,
        revoked_at: null,
      })
      .execute(),
  );
  return secret;
}

describe('a bundle that is handed in wrongly', () => {
  it.each([
    ['larger than the limit', BUNDLE, 'x'.repeat(BYTES_MAX + 1), 413, 'body-too-large'],
    ['of no content type', { 'idempotency-key': 'k' }, '{}', 415, 'body-type-unsupported'],
    [
      'of another type',
      { ...BUNDLE, 'content-type': 'text/csv' },
      'a',
      415,
      'body-type-unsupported',
    ],
    [
      'without an Idempotency-Key',
      { 'content-type': 'application/json' },
      '{}',
      400,
      'idempotency-key-missing',
    ],
    [
      'with an empty Idempotency-Key',
      { ...BUNDLE, 'idempotency-key': '""' },
      '{}',
      400,
      'idempotency-key-missing',
    ],
    [
      'with an endless one',
      { ...BUNDLE, 'idempotency-key': 'k'.repeat(256) },
      '{}',
      400,
      'query-invalid',
    ],
  ] as const)(
    'is refused when %s, and nothing is stored',
    async (_name, headers, body, status, code) => {
      const before = await rowCounts();
      const answer = await world.http({ path: '/api/v1/bundles', headers, body });
      expectProblem(answer, status, code);
      expect(await rowCounts()).toEqual(before);
    },
  );

  it('is refused under a key that was used with other content; the first receipt stands', async () => {
    const first = await world.postBundle(dock.pack(EAST[1]).bytes, 'used-key');
    expect(first.status).toBe(202);
    const before = await rowCounts();
    const answer = await world.postBundle(dock.pack(EAST[1]).bytes, 'used-key');
    expectProblem(answer, 422, 'idempotency-key-reused');
    expect(answer.json['detail']).toContain('used-key');
    const after = await rowCounts();
    expect([after['raw_bytes'], after['bundle']]).toEqual([before['raw_bytes'], before['bundle']]);
  });
});

describe('a bundle that is compressed for the way', () => {
  // RFC 9110 §8.4 and §15.5.16: a content coding that is not supported is answered 415.
  it.each(['gzip', 'br', 'identity, gzip'])(
    'is not taken for an unreadable one: %s is answered 415, and nothing is stored',
    async (coding) => {
      const taken = async () => {
        const { raw_bytes, bundle, finding, intake_key } = await rowCounts();
        return { raw_bytes, bundle, finding, intake_key };
      };
      const before = await taken();
      const body = gzipSync(dock.pack(EAST[1]).bytes);
      const headers = { ...BUNDLE, 'content-encoding': coding };
      const answer = await world.http({ path: '/api/v1/bundles', headers, body });
      expectProblem(answer, 415, 'body-type-unsupported');
      expect(answer.json['detail']).toContain(coding);
      expect(await taken()).toEqual(before);
    },
  );
});

describe('bytes of a known caller that cannot be read as a bundle', () => {
  it.each([
    ['no JSON', 'hello', 'json-syntax', ''],
    ['JSON that breaks off', '{"format": {"a": [1, 2', 'json-syntax', '/format/a/1'],
    [
      'a key that stands twice',
      '{"bundleId":"a","bundleId":"b"}',
      'json-duplicate-key',
      '/bundleId',
    ],
    ['another format', '{"format":"something"}', 'not-a-bundle', '/format'],
    ['nothing at all', '', 'json-syntax', ''],
  ])(
    'answer 422 for %s with rule, place, remedy and intake id',
    async (_name, text, rule, pointer) => {
      const answer = await world.postBundle(text, `unreadable ${text}`);
      expectProblem(answer, 422, 'bundle-unreadable');
      const [finding] = answer.json['findings'] as Record<string, string>[];
      expect(finding).toMatchObject({ code: rule, pointer });
      expect(finding?.['message']).not.toBe('');
      expect(finding?.['advice']).not.toBe('');

      const intakeId = String(answer.json['intakeId']);
      const shown = await world.http({ path: `/api/v1/bundles/${intakeId}` });
      expect(shown.json).toMatchObject({ intakeId, state: 'refused', findings: [finding] });
      const sha256 = createHash('sha256').update(text).digest('hex');
      expect(answer.json['sha256']).toBe(sha256);
      const kept = await world.db
        .selectFrom('raw_bytes')
        .select('bytes')
        .where('sha256', '=', sha256)
        .executeTakeFirstOrThrow();
      expect(Buffer.from(kept.bytes).toString()).toBe(text);
    },
  );
});

describe('an address that leads nowhere', () => {
  it.each([
    ['GET', '/api/v1/nothing'],
    ['PUT', '/api/v1/bundles'],
    ['GET', '/api/v1/bundles/no-such-bundle'],
    ['POST', '/'],
    ['GET', '/api/v1/receipts'],
  ] as const)('answers 404 for %s %s', async (method, path) => {
    expectProblem(await world.http({ method, path }), 404, 'not-found');
  });

  it.each([
    ['that is no URL', '/api/v1/receipts/%zz/statement'],
    ['with an id too long to be one', `/api/v1/receipts/${'r'.repeat(300)}/statement`],
    ['with an id too long to be routed', `/api/v1/receipts/${'r'.repeat(3000)}/statement`],
  ])('answers 400 for an address %s', async (_name, path) => {
    expectProblem(await world.http({ path }), 400, 'query-invalid');
  });
});

describe('a question that names something twice', () => {
  it.each([
    ['GET', '/api/v1/reviews', 'after'],
    ['GET', '/api/v1/receipt-reviews', 'after'],
    ['GET', '/api/v1/attributions', 'after'],
    ['GET', '/api/v1/discrepancies', 'receipt'],
    ['GET', '/api/v1/discrepancies/groups', 'destination'],
    ['POST', '/api/v1/recompute', 'after'],
    ['GET', '/deliveries', 'destination'],
    ['GET', '/discrepancies', 'instrument'],
    ['GET', '/review', 'after'],
  ] as const)('answers 400 for %s %s with two of %s', async (method, path, name) => {
    const ask = { method, path: `${path}?${name}=a&${name}=b`, key: world.controlToken };
    const answer = await world.http(ask);
    expectProblem(answer, 400, 'query-invalid');
    expect(answer.json['detail']).toContain(name);
  });
});

describe('receipt lines with faults', () => {
  it('are refused as a whole, each fault with line, column, rule and remedy', async () => {
    const before = await rowCounts();
    const answer = await world.announce(
      [
        'receipt_id,material,containers,dock_count,received_at',
        'R-1,NQ-1001,C-1;C-2,2,2026-01-05T08:00:00Z',
        'R-2,NQ-1001,C-1;C-1,2,2026-01-05T08:00:00Z',
        'R-3,NQ-1001,C-1,two,yesterday',
      ].join('\n'),
    );
    expectProblem(answer, 422, 'expectation-invalid');
    const faults = answer.json['faults'] as string[];
    expect(faults).toHaveLength(3);
    expect(faults[0]).toMatch(/^line 3 containers: .+ \([a-z-]+\)\. .+/);
    expect(faults[1]).toMatch(/^line 4 (dock_count|received_at): .+ \([a-z-]+\)\. .+/);
    expect(answer.json['detail']).toContain('line 3, containers');
    expect(await rowCounts()).toEqual(before);
  });

  it.each([
    ['a column nobody knows', 'receipt_id,material,containers,colour\nR,NQ-1001,C,red\n', 'colour'],
    ['a column too few', 'receipt_id,material\nR,NQ-1001\n', 'containers'],
    ['a file that is empty', '', 'holds no line'],
    ['a file that is not UTF-8', Buffer.from([0x72, 0xff, 0xfe]), 'not UTF-8'],
  ])('are refused for %s', async (_name, body, named) => {
    const answer = await world.http({ path: '/api/v1/expectations', headers: CSV, body });
    expectProblem(answer, 422, 'expectation-invalid');
    expect(answer.json['detail']).toContain(named);
  });

  it('are refused as another content type', async () => {
    const headers = { 'content-type': 'application/json' };
    const answer = await world.http({ path: '/api/v1/expectations', headers, body: '[]' });
    expectProblem(answer, 415, 'body-type-unsupported');
  });
});

describe('the statement of a receipt', () => {
  it('is incomplete at revision 0 when nobody announced it, never "not found", and may not be cached', async () => {
    const answer = await world.http({ path: '/api/v1/receipts/unheard-of/statement' });
    expect(answer.status).toBe(200);
    expect(answer.headers['cache-control']).toBe('private, no-cache');
    expect(answer.json).toMatchObject({
      outcome: 'incomplete',
      revision: 0,
      environment: 'training',
      receipt: { receiptId: 'unheard-of', material: null },
      containers: [],
    });
    const conditions = answer.json['conditions'] as { state: string }[];
    expect(conditions.filter((c) => c.state === 'met')).toEqual([]);
  });

  it('is logged with who pulled it', async () => {
    const key = await world.createKey('materials system', { scopes: ['statement:read'] });
    await world.http({ path: '/api/v1/receipts/pulled/statement', key });
    const pulls = await world.db
      .selectFrom('statement_pull')
      .innerJoin('api_key', 'api_key.id', 'statement_pull.caller')
      .select(['api_key.name', 'receipt_id', 'outcome'])
      .where('receipt_id', '=', 'pulled')
      .execute();
    expect(pulls).toEqual([
      { name: 'materials system', receipt_id: 'pulled', outcome: 'incomplete' },
    ]);
  });
});

describe('a bundle that was taken', () => {
  it('is followed under its address until its state and findings stand', async () => {
    const receipt = receiptOf(7001);
    dock.measure(EAST[0], receipt, 'D7001-01');
    const { document } = dock.pack(EAST[0]);
    const other = remade(document, {
      instrument: { ...document.instrument, serial: 'NQ-R-9999' },
    });
    const taken = await world.postBundle(other.bytes, other.sha256);
    expect(taken.status).toBe(202);
    expect(taken.json).toMatchObject({
      bundleId: document.bundleId,
      sha256: other.sha256,
      first: true,
    });
    expect(taken.headers['location']).toBe(taken.json['follow']);
    await world.settled(String(taken.json['intakeId']));

    const followed = await world.http({ path: String(taken.json['follow']) });
    expect(followed.json).toMatchObject({ state: 'held', sha256: other.sha256 });
    const findings = followed.json['findings'] as Record<string, string>[];
    const finding = findings.find((f) => f['code'] === 'instrument-unregistered');
    expect(finding).toMatchObject({ severity: 'hold', pointer: '/instrument/serial' });
    expect(finding?.['message']).toContain('NQ-R-9999');
    expect(finding?.['advice']).not.toBe('');

    const again = await world.postBundle(other.bytes, 'another key');
    expect(again.json).toMatchObject({ first: false, intakeId: taken.json['intakeId'] });
  });
});

describe('a gateway that has not looked at what it took', () => {
  it('answers 503 for a statement and says when to ask again, rather than an old one (rule 18)', async () => {
    const behind = await GatewayWorld.open({ work: false });
    try {
      const path = '/api/v1/receipts/R-1/statement';
      expect((await behind.http({ path })).status).toBe(200);
      const bundle = new Dock(behind).pack(EAST[0]);
      expect((await behind.postBundle(bundle.bytes, 'k')).status).toBe(202);
      const answer = await behind.http({ path });
      expectProblem(answer, 503, 'answer-not-current');
      expect(answer.headers['retry-after']).toBe('2');
    } finally {
      await behind.close();
    }
  });
});
