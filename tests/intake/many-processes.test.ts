import { describe, expect, it } from 'vitest';
import { type IncomingBundle, IntakeService } from '../../src/intake/intake.service.js';
import { databasesOfProcesses, ManualClock } from '../support/temp-database.js';

/** What is handed to several processes at the same moment is taken in once. */

async function processes(count: number) {
  const databases = await databasesOfProcesses(count);
  const services = databases.map(
    (database) =>
      new IntakeService(
        database,
        new ManualClock(),
        { site: 'northquay', zone: 'Europe/London', jsonLimits: { bytesMax: 1e6, depthMax: 32 } },
        { onTaken: () => undefined, onRefused: () => Promise.resolve() },
      ),
  );
  const [database] = databases;
  if (!database) throw new Error('there is no process');
  const take = (i: number, bundle: IncomingBundle) =>
    (services[i % count] as IntakeService).take(bundle);
  return { db: database.db, take };
}

function bundle(n: number, key: string | null = null): IncomingBundle {
  const document = {
    format: 'drumline-result-bundle',
    version: '1.0',
    bundleId: `b-${n}`,
    site: 'northquay',
    instrument: { serial: `I-${n % 3}` },
  };
  return {
    bytes: Buffer.from(JSON.stringify(document)),
    source: { kind: 'http', name: 'key-1' },
    fileName: null,
    actor: { kind: 'key', name: 'key-1' },
    idempotencyKey: key,
  };
}

describe('intake by several processes', () => {
  it('keeps the same bytes once and gives every sender the first receipt, a hundred times in parallel', async () => {
    const { db, take } = await processes(3);
    for (let round = 0; round < 5; round += 1) {
      const answers = await Promise.all(
        Array.from({ length: 100 }, (_, i) => take(i, bundle(round, `${round}-copy-${i}`))),
      );
      const ids = new Set(answers.map((a) => (a.kind === 'taken' ? a.intakeId : a.kind)));
      expect(ids.size).toBe(1);
      expect(answers.filter((a) => a.kind === 'taken' && a.isFirst)).toHaveLength(1);
      const keys = await db
        .selectFrom('intake_key')
        .select('bundle_row_id')
        .where('key', 'like', `${round}-copy-%`)
        .execute();
      expect(keys).toHaveLength(100);
      expect(new Set(keys.map((k) => k.bundle_row_id))).toEqual(ids);
    }
    expect(await db.selectFrom('bundle').select('id').execute()).toHaveLength(5);
    expect(await db.selectFrom('raw_bytes').select('sha256').execute()).toHaveLength(5);
    const trail = await db.selectFrom('audit_entry').select('action').execute();
    expect(trail.map((entry) => entry.action)).toEqual(Array(5).fill('bundle.received'));
  });

  it('takes one of the contents sent under one idempotency key at once, and keeps nothing of the others', async () => {
    const { db, take } = await processes(3);
    const answers = await Promise.all(
      Array.from({ length: 30 }, (_, i) => take(i, bundle(i, 'the same key'))),
    );
    expect(answers.filter((a) => a.kind === 'taken' && a.isFirst)).toHaveLength(1);
    expect(answers.filter((a) => a.kind === 'key-reused')).toHaveLength(29);
    expect(await db.selectFrom('bundle').select('id').execute()).toHaveLength(1);
    expect(await db.selectFrom('raw_bytes').select('sha256').execute()).toHaveLength(1);
  });

  it('gives every instrument a lane and bundles that name none a common one', async () => {
    const { db, take } = await processes(2);
    await Promise.all(Array.from({ length: 12 }, (_, i) => take(i, bundle(i))));
    const nameless = {
      ...bundle(99),
      bytes: Buffer.from(String(bundle(99).bytes).replace('serial', 'other')),
    };
    await take(0, nameless);
    const lanes = await db.selectFrom('lane').select('name').orderBy('name').execute();
    expect(lanes.map(({ name }) => name)).toEqual(['', 'I-0', 'I-1', 'I-2']);
  });
});
