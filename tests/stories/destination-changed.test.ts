import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { found, toldErp } from './observe.js';

let world: GatewayWorld;
let dock: Dock;

beforeEach(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
});

afterEach(async () => {
  await world.close();
});

describe('rule 27: a destination that changed underneath', () => {
  it('gets no new conforms and ends none that stands, until a person approves it', async () => {
    const [standing, fresh] = [receiptOf(1), receiptOf(2)];
    await dock.conform(standing);
    world.erp.description.version = '2.0';
    await world.restart();
    const described = async () =>
      (await world.http({ path: '/api/v1/destinations/erp/description' })).json;
    await world.until('the change is seen', async () => (await described())['hold'] === 'changed');
    const pulled = await world.http({ path: `/api/v1/receipts/${standing.id}/statement` });
    expect(pulled.status).toBe(503);
    await dock.announce(fresh);
    await dock.measureAll(fresh);
    await world.quiet();
    const waiting = await world.statement(fresh.id);
    expect(waiting.outcome).toBe('incomplete');
    expect(found(waiting, 'destination-unchanged').state).toBe('unmet');
    expect(toldErp(world, fresh.id)).not.toContain('USE-PERMITTED');
    const stops = await world.db.selectFrom('stop').selectAll().execute();
    expect(stops).toEqual([]);

    const approve = (body: unknown, key = world.controlToken) =>
      world.http({
        path: '/api/v1/destinations/erp/approve',
        key,
        headers: { 'content-type': 'application/json' },
        body: JSON.stringify(body),
      });
    expect((await approve({ reason: 'tested' }, world.key)).status).toBe(403);
    expect((await approve({ reason: 'tested', digest: 'another' })).status).toBe(400);
    expect((await approve({ reason: 'version 2.0 tested, CR-7' })).status).toBe(200);
    await world.says(fresh.id, 'conforms');
    await world.says(standing.id, 'conforms');
    const open = await world.db
      .selectFrom('discrepancy')
      .select('closing_evidence')
      .where('class', '=', 'destination-changed')
      .execute();
    expect(open).toEqual([{ closing_evidence: 'approved: version 2.0 tested, CR-7' }]);
  });
});
