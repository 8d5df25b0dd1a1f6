import { describe, expect, it } from 'vitest';
import { type IncomingBundle, IntakeService } from '../../src/intake/intake.service.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';
import { zipOf } from '../support/zip-bytes.js';

async function intake(open: OpenDatabase | null = null, depthMax = 32) {
  const database = open ?? (await temporaryDatabase());
  const taken: string[] = [];
  const refused: string[] = [];
  const service = new IntakeService(
    database,
    new ManualClock(),
    { site: 'northquay', zone: 'Europe/London', jsonLimits: { bytesMax: 1_000_000, depthMax } },
    {
      onTaken: () => taken.push('rung'),
      onRefused: (_trx, bundle) => {
        refused.push(bundle.id);
        return Promise.resolve();
      },
      afterRefused: () => taken.push('stops'),
    },
  );
  return { database, service, taken, refused };
}

function bundle(content: string | Uint8Array, key: string | null = null): IncomingBundle {
  return {
    bytes: Buffer.from(content),
    source: { kind: 'http', name: 'key-1' },
    fileName: null,
    actor: { kind: 'key', name: 'key-1' },
    idempotencyKey: key,
  };
}

const GOOD =
  '{"format":"drumline-result-bundle","version":"1.0","bundleId":"b-1","site":"northquay"}';

describe('intake', () => {
  it('stores the bytes as they came, with their row and trail, before it answers', async () => {
    const { database, service, taken } = await intake();
    const answer = await service.take(bundle(GOOD, 'k1'));
    expect(answer).toMatchObject({
      kind: 'taken',
      bundleId: 'b-1',
      state: 'received',
      isFirst: true,
    });
    const raw = await database.db.selectFrom('raw_bytes').selectAll().execute();
    expect(Buffer.from(raw[0]?.bytes ?? []).toString()).toBe(GOOD);
    const trail = await database.db.selectFrom('audit_entry').select('action').execute();
    expect(trail).toEqual([{ action: 'bundle.received' }]);
    expect(taken).toEqual(['rung']);
  });

  it('gives the first receipt again for the same bytes, a hundred times in parallel', async () => {
    const { database, service } = await intake();
    const answers = await Promise.all(
      Array.from({ length: 100 }, () => service.take(bundle(GOOD))),
    );
    const ids = new Set(answers.map((a) => (a.kind === 'taken' ? a.intakeId : a.kind)));
    expect(ids.size).toBe(1);
    expect(answers.filter((a) => a.kind === 'taken' && a.isFirst)).toHaveLength(1);
    expect(await database.db.selectFrom('bundle').select('id').execute()).toHaveLength(1);
  });

  it('gives it again as it was when a limit was changed since: nobody examines what was refused', async () => {
    const deep = GOOD.replace('}', ',"more":[[[]]]}');
    const { database, service: strict } = await intake(null, 2);
    const refused = await strict.take(bundle(deep));
    expect(refused).toMatchObject({ kind: 'refused', unreadable: { code: 'json-depth' } });
    const { service: generous, taken } = await intake(database);
    expect(await generous.take(bundle(deep))).toEqual({ ...refused, isFirst: false });
    expect(taken).toEqual([]);

    const other = deep.replace('b-1', 'b-2');
    const first = await generous.take(bundle(other));
    expect(first.kind).toBe('taken');
    expect(await strict.take(bundle(other))).toEqual({ ...first, isFirst: false });
  });

  it('refuses an idempotency key used before with other content, and stores nothing', async () => {
    const { database, service } = await intake();
    await service.take(bundle(GOOD, 'k1'));
    const other = await service.take(bundle(GOOD.replace('b-1', 'b-2'), 'k1'));
    expect(other).toEqual({ kind: 'key-reused', key: 'k1' });
    expect(await database.db.selectFrom('raw_bytes').select('sha256').execute()).toHaveLength(1);
  });

  it('keeps two bundles with one id and different content', async () => {
    const { database, service } = await intake();
    await service.take(bundle(GOOD));
    await service.take(bundle(`${GOOD.slice(0, -1)},"extra":1}`));
    expect(await database.db.selectFrom('bundle').select('bundle_id').execute()).toEqual([
      { bundle_id: 'b-1' },
      { bundle_id: 'b-1' },
    ]);
  });

  it.each([
    ['not JSON', 'pass,fail', 'json-syntax', ''],
    ['a duplicate key', GOOD.replace('{', '{"site":"other",'), 'json-duplicate-key', '/site'],
    ['another format', GOOD.replace('drumline-result-bundle', 'other'), 'not-a-bundle', '/format'],
    ['another version', GOOD.replace('"1.0"', '"2.0"'), 'not-a-bundle', '/version'],
    ['no bundle id', GOOD.replace('"b-1"', '""'), 'not-a-bundle', '/bundleId'],
    ['an array', `[${GOOD}]`, 'not-a-bundle', ''],
  ])('stores and refuses %s, naming place and rule', async (_name, text, code, pointer) => {
    const { database, service, taken, refused } = await intake();
    const answer = await service.take(bundle(text));
    expect(answer).toMatchObject({
      kind: 'refused',
      state: 'refused',
      unreadable: { code, pointer },
    });
    const raw = await database.db.selectFrom('raw_bytes').selectAll().execute();
    expect(Buffer.from(raw[0]?.bytes ?? []).toString()).toBe(text);
    expect(await database.db.selectFrom('finding').select('code').execute()).toEqual([{ code }]);
    // Nothing to check, and yet conforming receipts it could speak of may have been stopped.
    expect(taken).toEqual(['stops']);
    expect(refused).toHaveLength(1);
  });
});

describe('intake of archives', () => {
  const document = GOOD.replace('}', ',"instrument":{"serial":"I-1"}}');

  it('takes one for the document in it, and keeps the archive', async () => {
    const { database, service, taken } = await intake();
    const bytes = zipOf([
      { name: 'bundle.json', data: document, deflate: true },
      { name: 'a.csv', data: '1,2', crc32: 1 },
    ]);
    const answer = await service.take(bundle(bytes));
    expect(answer).toMatchObject({ kind: 'taken', bundleId: 'b-1', state: 'received' });
    expect(taken).toEqual(['rung']);
    const rows = await database.db.selectFrom('bundle').select(['lane', 'raw_sha256']).execute();
    expect(rows).toEqual([{ lane: 'I-1', raw_sha256: answer.kind === 'taken' && answer.sha256 }]);
    const raw = await database.db.selectFrom('raw_bytes').selectAll().execute();
    expect(Buffer.from(raw[0]?.bytes ?? [])).toEqual(bytes);
  });

  it.each<[string, Uint8Array, string]>([
    ['one without the document', zipOf([{ name: 'a.json', data: document }]), 'zip-content'],
    ['one with a name that leads out', zipOf([{ name: '../a', data: '' }]), 'zip-name'],
    [
      'one that is cut off',
      zipOf([{ name: 'bundle.json', data: document }]).subarray(0, 60),
      'zip-structure',
    ],
    [
      'one whose document inflates past the limit',
      zipOf([{ name: 'bundle.json', data: Buffer.alloc(1_000_001, ' '), deflate: true }]),
      'zip-limit',
    ],
    [
      'one whose document is larger than it states',
      zipOf([{ name: 'bundle.json', data: document, deflate: true, size: 10 }]),
      'zip-content',
    ],
    ['one whose document is another', zipOf([{ name: 'bundle.json', data: '{}' }]), 'not-a-bundle'],
  ])('stores and refuses %s', async (_name, bytes, code) => {
    const { database, service, taken, refused } = await intake();
    const answer = await service.take(bundle(bytes));
    expect(answer).toMatchObject({
      kind: 'refused',
      unreadable: { code, pointer: expect.any(String) },
    });
    const raw = await database.db.selectFrom('raw_bytes').selectAll().execute();
    expect(Buffer.from(raw[0]?.bytes ?? [])).toEqual(bytes);
    expect([taken, refused.length]).toEqual([['stops'], 1]);
  });
});
