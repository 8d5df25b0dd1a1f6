import { pino } from 'pino';
import { describe, expect, it } from 'vitest';
import { WorkerService } from '../../src/pipeline/worker.service.js';
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

  it('that finds another life of its database begins nothing more, and says no more that it lives', async () => {
    const hall = new Hall(await temporaryDatabase());
    const { database, clock } = hall;
    let isSame = true;
    const worker = new WorkerService({
      database,
      clock,
      log: pino({ level: 'silent' }),
      isSameLife: async () => isSame,
    });
    await worker.begin();
    const begunAt = clock.now();
    await worker.beat();
    expect([worker.mayStart, worker.isOutlived]).toEqual([true, false]);
    isSame = false;
    clock.advance(2_000);
    await worker.beat();
    expect([worker.mayStart, worker.isOutlived]).toEqual([false, true]);
    // Whatever it sees later: what it knows is of a life before.
    isSame = true;
    await worker.beat();
    expect([worker.mayStart, worker.isOutlived]).toEqual([false, true]);
    const row = await database.db.selectFrom('worker').selectAll().executeTakeFirstOrThrow();
    expect(row.heartbeat_at).toBe(begunAt);
  });

  it('that runs by another site folder than is in force begins nothing, and is heard of all the same', async () => {
    const hall = new Hall(await temporaryDatabase());
    const { database, clock } = hall;
    let isInForce = true;
    const worker = new WorkerService({
      database,
      clock,
      log: pino({ level: 'silent' }),
      isFolderInForce: async () => isInForce,
    });
    await worker.begin();
    isInForce = false;
    clock.advance(2_000);
    await worker.beat();
    expect([worker.mayStart, worker.isOutlived]).toEqual([false, false]);
    // What it sends at this moment is nobody else's.
    const row = await database.db.selectFrom('worker').selectAll().executeTakeFirstOrThrow();
    expect(row).toMatchObject({ heartbeat_at: clock.now(), stopped_at: null });
    isInForce = true;
    await worker.beat();
    expect(worker.mayStart).toBe(true);
  });

  it('whose address leads elsewhere begins nothing from that moment on, before its next beat', async () => {
    const hall = new Hall(await temporaryDatabase());
    const { database, clock } = hall;
    let isElsewhere = false;
    const worker = new WorkerService({
      database: {
        db: database.db,
        transact: (work) => database.transact(work),
        close: () => database.close(),
        isElsewhere: () => isElsewhere,
      },
      clock,
      log: pino({ level: 'silent' }),
    });
    await worker.begin();
    await worker.beat();
    expect(worker.mayStart).toBe(true);
    isElsewhere = true;
    expect([worker.mayStart, worker.isOutlived]).toEqual([false, true]);
  });
});
