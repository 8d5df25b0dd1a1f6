import { describe, expect, it } from 'vitest';
import { temporaryDatabase } from '../support/temp-database.js';
import { Hall } from './worker-hall.js';

describe('a worker', () => {
  it('has a row from its start to its end, and a beat in between', async () => {
    const hall = new Hall(await temporaryDatabase());
    const worker = await hall.begun();
    hall.clock.advance(2_000);
    await worker.beat();
    const row = await hall.database.db.selectFrom('worker').selectAll().executeTakeFirstOrThrow();
    expect(row).toMatchObject({ id: worker.id, heartbeat_at: hall.clock.now(), stopped_at: null });
    await worker.end();
    expect(await hall.isStopped(worker.id)).toBe(true);
  });

  it('that ends without having begun leaves nothing', async () => {
    const hall = new Hall(await temporaryDatabase());
    await hall.worker().end();
    expect(await hall.database.db.selectFrom('worker').selectAll().execute()).toEqual([]);
  });
});
