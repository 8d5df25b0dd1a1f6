import { describe, expect, it } from 'vitest';
import { readMark } from '../../src/pipeline/instance-mark.files.js';
import { openAnother } from '../support/another-process.js';
import { GatewayWorld } from '../support/gateway-world.js';

/** Several gateways are started one after another, and heartbeats waited for. */
const LONG_MS = 60_000;

/** Release-safety rule 28, for a backup put back by hand into the very database that processes work on. */
describe('a backup put back into the database that a gateway runs on', () => {
  it(
    'is noticed while it runs, and again at the next start, which waits',
    async () => {
      const world = await GatewayWorld.open();
      try {
        const remembered = () => readMark(world.dataDirectory)?.tick ?? 0;
        const instance = () =>
          world.db.selectFrom('instance').selectAll().executeTakeFirstOrThrow();
        const before = await instance();
        const reached = remembered();
        // As `pg_restore --clean` leaves it: server, timeline and database are the same, and the row is of an earlier day.
        const earlier = { tick: before.tick - 1_000 };
        await world.write((db) => db.updateTable('instance').set(earlier).execute());
        await world.until('it is no longer ready', async () => {
          const { status } = await world.http({ path: '/health/ready', key: null });
          return status === 503;
        });
        const receipt = { path: '/api/v1/receipts/R-1/statement' };
        expect((await world.http(receipt)).status).toBe(503);
        expect(remembered()).toBeGreaterThanOrEqual(reached);
        await world.restart();
        const { recovering, epoch } = await instance();
        expect({ recovering, epoch }).toEqual({
          recovering: 'older-file',
          epoch: before.epoch + 1,
        });
      } finally {
        await world.close();
      }
    },
    LONG_MS,
  );

  it(
    'is found by a process that only answered, though it began long before the backup was made',
    async () => {
      const world = await GatewayWorld.open({ work: false });
      const worker = await openAnother(world, { work: true });
      try {
        const remembered = () => readMark(world.dataDirectory)?.tick ?? 0;
        const instance = () =>
          world.db.selectFrom('instance').selectAll().executeTakeFirstOrThrow();
        const atStart = remembered();
        await world.until(
          () => `it remembers more than ${atStart + 2}`,
          () => remembered() > atStart + 2,
        );
        const before = await instance();
        const place = world.databasePlace;
        await worker.close();
        await world.stop();
        // As of a night between the start of the process that answers and the end of both.
        const nightly = { tick: atStart + 1 };
        await world.write((db) => db.updateTable('instance').set(nightly).execute());
        await world.restartAt(place);
        const { recovering, epoch } = await instance();
        expect({ recovering, epoch }).toEqual({
          recovering: 'older-file',
          epoch: before.epoch + 1,
        });
      } finally {
        await world.close();
      }
    },
    LONG_MS,
  );
});
