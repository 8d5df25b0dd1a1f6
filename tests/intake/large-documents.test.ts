import { join } from 'node:path';
import fc from 'fast-check';
import { sql } from 'kysely';
import { afterEach, describe, expect, it } from 'vitest';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import { IntakeService, type LargeDocuments } from '../../src/intake/intake.service.js';
import { LargeDocumentsPool } from '../../src/intake/large-documents.pool.js';
import { isLarge, LARGE_BYTES, readDocument } from '../../src/intake/read-document.js';
import { Problem } from '../../src/problem-details.js';
import { type FileBeside, type OpenDatabase, openDatabase } from '../../src/storage/database.js';
import { goodParts } from '../checks/fixture.js';
import {
  isPostgres,
  ManualClock,
  temporaryDatabase,
  temporaryDirectory,
  temporaryPlace,
  writerOf,
} from '../support/temp-database.js';
import { zipOf } from '../support/zip-bytes.js';

const LIMITS = { bytesMax: 8_000_000, depthMax: 32 };
const GOOD = Buffer.from(assembleBundle(goodParts()).bytes).toString().trim();

const pools: LargeDocumentsPool[] = [];
afterEach(async () => {
  for (const pool of pools.splice(0)) await pool.close();
});

function poolOn(
  database: OpenDatabase,
  options: Partial<ConstructorParameters<typeof LargeDocumentsPool>[0]> = {},
) {
  const pool = new LargeDocumentsPool({ database, limits: LIMITS, ...options });
  pools.push(pool);
  return pool;
}

/** Space behind a document says nothing, so that any document can be a large one. */
function large(text: string | Uint8Array): Buffer {
  return Buffer.concat([Buffer.from(text), Buffer.alloc(LARGE_BYTES, ' ')]);
}

function intakeOn(database: OpenDatabase, pool: LargeDocuments | null) {
  const refused: string[] = [];
  const service = new IntakeService(
    database,
    new ManualClock(),
    { site: 'northquay', zone: 'Europe/London', jsonLimits: LIMITS },
    {
      onTaken: () => undefined,
      onRefused: (_trx, { message }) => Promise.resolve(refused.push(message)),
    },
    pool,
  );
  const take = (bytes: Uint8Array, idempotencyKey: string | null = null) =>
    service.take({
      bytes,
      source: { kind: 'http', name: 'key-1' },
      fileName: null,
      actor: { kind: 'key', name: 'key-1' },
      idempotencyKey,
    });
  return { take, refused };
}

/** Everything that a bundle leaves behind, without the ids that are new each time. */
async function kept({ db }: OpenDatabase) {
  const raw = await db.selectFrom('raw_bytes').selectAll().orderBy('sha256').execute();
  const bundles = await db
    .selectFrom('bundle')
    .select(['bundle_id', 'raw_sha256', 'state', 'lane', 'received_at', 'settled_at'])
    .orderBy('raw_sha256')
    .execute();
  const findings = await db
    .selectFrom('finding')
    .select(['code', 'pointer', 'message', 'advice', 'severity'])
    .orderBy('message')
    .execute();
  const trail = await db.selectFrom('audit_entry').select(['action']).orderBy('action').execute();
  return {
    raw: raw.map(({ sha256: digest, size, bytes }) => [digest, Number(size), sha256(bytes)]),
    bundles,
    findings,
    trail,
  };
}

const nothing = { raw: [], bundles: [], findings: [], trail: [] };

/** Documents whole and broken: each way in which bytes may not be a bundle, at any place. */
const documents = fc.oneof(
  fc.constant(GOOD),
  fc.integer({ min: 0, max: GOOD.length }).map((end) => GOOD.slice(0, end)),
  fc
    .tuple(fc.integer({ min: 0, max: GOOD.length - 1 }), fc.integer({ min: 0, max: 255 }))
    .map(([at, byte]) => {
      const bytes = Buffer.from(GOOD);
      bytes[at] = byte;
      return bytes;
    }),
  fc.json(),
  fc.uint8Array({ maxLength: 200 }),
  fc.boolean().map((deflate) => zipOf([{ name: 'bundle.json', data: GOOD, deflate }])),
  fc
    .integer({ min: 0, max: 300 })
    .map((end) => zipOf([{ name: 'bundle.json', data: GOOD, deflate: true }]).subarray(0, end)),
);

describe('documents that are large', () => {
  it('are told by their bytes, those of an archive by the document in it', () => {
    expect(isLarge(Buffer.alloc(LARGE_BYTES), LIMITS)).toBe(true);
    expect(isLarge(Buffer.alloc(LARGE_BYTES - 1), LIMITS)).toBe(false);
    const archive = zipOf([{ name: 'bundle.json', data: large(GOOD), deflate: true }]);
    expect(archive.length).toBeLessThan(LARGE_BYTES / 10);
    expect(isLarge(archive, LIMITS)).toBe(true);
    expect(isLarge(zipOf([{ name: 'bundle.json', data: GOOD, deflate: true }]), LIMITS)).toBe(
      false,
    );
  });

  it('are read in the thread as they are read here, whatever they hold', async () => {
    const pool = poolOn(await temporaryDatabase());
    await fc.assert(
      fc.asyncProperty(documents, async (document) => {
        for (const bytes of [Buffer.from(document), large(document)]) {
          expect(await pool.read(bytes)).toEqual(readDocument(bytes, LIMITS));
        }
      }),
      { numRuns: 60 },
    );
  });

  it('leave behind what small ones leave behind, and are answered alike', async () => {
    const aside = await temporaryDatabase();
    const here = await temporaryDatabase();
    const withThread = intakeOn(aside, poolOn(aside));
    const without = intakeOn(here, null);
    const archive = zipOf([{ name: 'bundle.json', data: large(GOOD), deflate: true }]);
    const broken = [
      large(`${GOOD.slice(0, -1)},"site":"again"}`),
      large(GOOD.slice(0, -1)),
      large(GOOD.replace('drumline-result-bundle', 'other')),
      Buffer.alloc(LIMITS.bytesMax + 1, ' '),
      Buffer.concat([large('{"a":"'), Buffer.from([0xff])]),
    ];
    for (const bytes of [large(GOOD), archive, ...broken, large(GOOD), Buffer.from(GOOD)]) {
      const found = await withThread.take(bytes, null);
      const expected = await without.take(bytes, null);
      expect({ ...found, intakeId: '' }).toEqual({ ...expected, intakeId: '' });
    }
    expect(await kept(aside)).toEqual(await kept(here));
    expect(withThread.refused).toEqual(without.refused);
    expect(withThread.refused).toHaveLength(broken.length);
  });

  it('are refused with the place at which they break, far behind the beginning', async () => {
    const database = await temporaryDatabase();
    const { take } = intakeOn(database, poolOn(database));
    const results = Array.from({ length: 30_000 }, (_, i) => `{"resultId":"r-${i}","n":1}`);
    results[29_000] = '{"resultId":"r","resultId":"s"}';
    const text = `{"format":"drumline-result-bundle","results":[${results.join(',\n')}],"x":"${'y'.repeat(LARGE_BYTES)}"}`;
    const answer = await take(Buffer.from(text));
    expect(answer).toMatchObject({
      kind: 'refused',
      unreadable: { code: 'json-duplicate-key', pointer: '/results/29000/resultId' },
    });
    expect((await kept(database)).raw).toEqual([
      [sha256(text), Buffer.byteLength(text), sha256(text)],
    ]);
  });

  it('give the first receipt again, ten times at once', async () => {
    const database = await temporaryDatabase();
    const { take } = intakeOn(database, poolOn(database));
    const answers = await Promise.all(
      Array.from({ length: 10 }, (_, i) => take(large(GOOD), `k${i}`)),
    );
    expect(new Set(answers.map((a) => (a.kind === 'taken' ? a.intakeId : a.kind))).size).toBe(1);
    expect(answers.filter((a) => a.kind === 'taken' && a.isFirst)).toHaveLength(1);
  });

  it('store nothing when the key was used before with other content', async () => {
    const database = await temporaryDatabase();
    const { take } = intakeOn(database, poolOn(database));
    await take(large(GOOD), 'k1');
    const before = await kept(database);
    expect(await take(large(GOOD.replace('{', '{ ')), 'k1')).toEqual({
      kind: 'key-reused',
      key: 'k1',
    });
    expect(await kept(database)).toEqual(before);
  });
});

describe('a thread that ends while it reads', () => {
  /** Millions of arrays: a few megabytes of text, hundreds of megabytes once they are read. */
  const HEAVY = Buffer.from(`[${'[[]],'.repeat(1_000_000)}[]]`);

  it('is an error that says to send it again, with nothing taken, and another one takes its place', async () => {
    const database = await temporaryDatabase();
    const pool = poolOn(database, { heapMb: 24 });
    const { take } = intakeOn(database, pool);
    const [heavy, behind] = await Promise.allSettled([take(HEAVY), take(large(GOOD))]);
    expect(heavy).toMatchObject({ status: 'rejected', reason: { code: 'bundle-not-read' } });
    expect((heavy as PromiseRejectedResult).reason).toBeInstanceOf(Problem);
    expect((heavy as PromiseRejectedResult).reason.headers).toEqual({ 'retry-after': '5' });
    // What waited for the same thread is not lost with it: it is taken, or says the same.
    if (behind.status === 'rejected') {
      expect(behind.reason).toMatchObject({ code: 'bundle-not-read' });
      await take(large(GOOD));
    }
    const { raw, bundles } = await kept(database);
    expect(raw).toEqual([[sha256(large(GOOD)), large(GOOD).length, sha256(large(GOOD))]]);
    expect(bundles).toHaveLength(1);
  });

  it('is the same error when it takes too long', async () => {
    const database = await temporaryDatabase();
    const { take } = intakeOn(database, poolOn(database, { deadlineMs: 1 }));
    await expect(take(HEAVY)).rejects.toMatchObject({
      code: 'bundle-not-read',
      detail: 'it took longer than 0.001 s',
    });
    expect(await kept(database)).toEqual(nothing);
  });

  it.skipIf(isPostgres)('leaves no bundle behind when it ends while it writes', async () => {
    const place = await temporaryPlace();
    const database = await openDatabase(place);
    // Somebody holds the file longer than the thread may take.
    const holder = writerOf(place);
    const holding = await holder.connection().execute(async (connection) => {
      await sql`begin immediate`.execute(connection);
      const { take } = intakeOn(database, poolOn(database, { deadlineMs: 700 }));
      const answer = await Promise.allSettled([take(large(GOOD))]);
      await sql`rollback`.execute(connection);
      return answer;
    });
    await holder.destroy();
    expect(holding).toMatchObject([{ reason: { code: 'bundle-not-read' } }]);
    expect((await kept(database)).bundles).toEqual([]);
    const { take } = intakeOn(database, poolOn(database));
    expect(await take(large(GOOD))).toMatchObject({ kind: 'taken', isFirst: true });
    expect((await kept(database)).raw).toHaveLength(1);
    for (const pool of pools.splice(0)) await pool.close();
    await database.close();
  });

  it.skipIf(isPostgres)('says by the code of the database why it could not write', async () => {
    const database = await temporaryDatabase();
    // A database without tables.
    const path = join(temporaryDirectory(), 'empty.db');
    const file: FileBeside = { path, writeAside: (work) => work() };
    const elsewhere = Object.assign(Object.create(database) as OpenDatabase, { file });
    const { take } = intakeOn(database, poolOn(elsewhere));
    await expect(take(large(GOOD))).rejects.toMatchObject({ code: 'SQLITE_ERROR' });
    expect(await kept(database)).toEqual(nothing);
  });

  it('is no more waited for than memory allows', async () => {
    const database = await temporaryDatabase();
    const bytes = large(GOOD);
    const { take } = intakeOn(
      database,
      poolOn(database, { waitingBytesMax: 2 * bytes.length + 1 }),
    );
    const answers = await Promise.allSettled(
      [1, 2, 3].map((n) => take(large(`${GOOD}${' '.repeat(n - 1)}`))),
    );
    const refused = answers.filter(({ status }) => status === 'rejected');
    expect(refused).toMatchObject([{ reason: { code: 'bundle-not-read' } }]);
    expect((await kept(database)).bundles).toHaveLength(2);
    // Once they are read there is room again.
    await take(large(`${GOOD}  `));
    expect((await kept(database)).bundles).toHaveLength(3);
  });
});

describe('stored bytes', () => {
  it('are loaded as they were stored, small and large, and not at all where there are none', async () => {
    const database = await temporaryDatabase();
    const pool = poolOn(database);
    const { take } = intakeOn(database, pool);
    for (const bytes of [Buffer.from(GOOD), large(GOOD)]) {
      const answer = await take(bytes);
      if (answer.kind === 'key-reused') throw new Error('no key was sent');
      expect(sha256((await pool.load(answer.sha256)) ?? '')).toBe(sha256(bytes));
    }
    expect(await pool.load('0'.repeat(64))).toBeUndefined();
  });

  it.skipIf(isPostgres)(
    'are written while others read, and nothing of the process writes beside it',
    async () => {
      const database = await temporaryDatabase();
      const pool = poolOn(database);
      const { take } = intakeOn(database, pool);
      await take(large(GOOD));
      let written = 0;
      const writing = Array.from({ length: 20 }, (_, i) =>
        database.transact(async (trx) => {
          await trx
            .insertInto('site_evidence')
            .values({ site: `s${i}`, version: 1 })
            .execute();
          written += 1;
        }),
      );
      const answers = [2, 3, 4].map((n) => take(large(`${GOOD}${'\n'.repeat(n)}`)));
      await Promise.all([...writing, ...answers]);
      expect(written).toBeGreaterThanOrEqual(20);
      expect((await kept(database)).bundles).toHaveLength(4);
    },
  );
});
