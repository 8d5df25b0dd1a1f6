import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';
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

    const approver = await makePerson(world, 'a.admin', ['administrator']);
    await makePerson(world, 'r.reviewer', ['reviewer']);
    const approve = (body: object, key = world.controlToken) =>
      world.http({
        path: '/api/v1/destinations/erp/approve',
        key,
        headers: { 'content-type': 'application/json' },
        body: JSON.stringify({ userName: 'a.admin', password: PASSWORD, ...body }),
      });
    expect((await approve({ reason: 'tested' }, world.key)).status).toBe(403);
    expect((await approve({ reason: 'tested', digest: 'another' })).status).toBe(400);
    expect((await approve({ reason: 'tested', userName: undefined })).status).toBe(400);
    const unproven = await approve({ reason: 'tested', password: 'another one entirely' });
    expect([unproven.status, unproven.json['code']]).toEqual([403, 'person-not-proven']);
    const unentitled = await approve({ reason: 'tested', userName: 'r.reviewer' });
    expect([unentitled.status, unentitled.json['code']]).toEqual([403, 'right-missing']);
    expect((await described())['hold']).toBe('changed');
    expect((await approve({ reason: 'version 2.0 tested, CR-7' })).status).toBe(200);
    await world.says(fresh.id, 'conforms');
    await world.says(standing.id, 'conforms');
    const open = await world.db
      .selectFrom('discrepancy')
      .select('closing_evidence')
      .where('class', '=', 'destination-changed')
      .execute();
    expect(open).toEqual([{ closing_evidence: 'approved: version 2.0 tested, CR-7' }]);
    const trail = await world.db
      .selectFrom('audit_entry')
      .select(['actor_kind', 'actor', 'source', 'reason'])
      .where('action', '=', 'destination.approved')
      .execute();
    expect(trail).toEqual([
      {
        actor_kind: 'person',
        actor: approver,
        source: '127.0.0.1',
        reason: 'version 2.0 tested, CR-7',
      },
    ]);
  });
});
