import { sql } from 'kysely';
import { afterEach, beforeEach, it } from 'vitest';
import type { Application } from '../../src/main.js';
import { openAnother } from '../support/another-process.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { somebodyWaits } from '../support/lock-waits.js';

let world: GatewayWorld;
let starting: Promise<Application> | null = null;

beforeEach(async () => {
  world = await GatewayWorld.open({ work: false });
});

afterEach(async () => {
  await (await starting)?.close();
  starting = null;
  await world.close();
});

it('a process whose start takes long is heard of meanwhile, so that nobody gives it up', async () => {
  const worker = () => world.db.selectFrom('worker').selectAll().executeTakeFirst();
  await world.write((db) =>
    db.transaction().execute(async (trx) => {
      // Whether its key may sign is looked up there before it works.
      await sql`lock table trail_head in access exclusive mode`.execute(trx);
      starting = openAnother(world, { work: true });
      await world.until(
        'it waits',
        async () => (await worker()) !== undefined && (await somebodyWaits(world)),
      );
      const begun = await worker();
      await world.until('it beats', async () => {
        const now = await worker();
        return now !== undefined && now.heartbeat_at > (begun?.heartbeat_at ?? now.heartbeat_at);
      });
    }),
  );
});
