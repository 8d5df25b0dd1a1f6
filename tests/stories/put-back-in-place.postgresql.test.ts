import { describe, expect, it } from 'vitest';
import { readMark } from '../../src/pipeline/instance-mark.files.js';
import { GatewayWorld } from '../support/gateway-world.js';

/** Release-safety rule 28, for a backup put back by hand into the very database that processes work on. */
describe('a backup put back into the database that a gateway runs on', () => {
  it('is noticed while it runs, and again at the next start, which waits', async () => {
    const world = await GatewayWorld.open();
    try {
      const remembered = () => readMark(world.dataDirectory)?.tick ?? 0;
      const instance = () => world.db.selectFrom('instance').selectAll().executeTakeFirstOrThrow();
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
      expect({ recovering, epoch }).toEqual({ recovering: 'older-file', epoch: before.epoch + 1 });
    } finally {
      await world.close();
    }
  });
});
