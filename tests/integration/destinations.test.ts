import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';

let world: GatewayWorld;

beforeEach(async () => {
  world = await GatewayWorld.open();
});

afterEach(async () => {
  await world.close();
});

function act(name: string, what: 'pause' | 'resume', reason: string, key = world.controlToken) {
  return world.http({
    path: `/api/v1/destinations/${name}/${what}`,
    key,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({ reason }),
  });
}

async function shown(name: string): Promise<Record<string, unknown>> {
  const { json } = await world.http({ path: '/api/v1/destinations' });
  const all = json['destinations'] as Record<string, unknown>[];
  return all.find((d) => d['name'] === name) ?? {};
}

describe('a paused destination', () => {
  it('gets nothing until it is resumed, is shown with what waits, and both acts are in the trail', async () => {
    const dock = new Dock(world);
    expect((await act('lims', 'pause', 'maintenance')).json).toMatchObject({ paused: 1 });
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    await dock.measureAll(receipt);
    await world.until('it is built', async () => (await shown('lims'))['waiting'] === 2);
    expect(await shown('lims')).toMatchObject({ paused: true, pauseReason: 'maintenance' });
    expect(await shown('erp')).toMatchObject({ paused: false, acts: true });
    expect(world.lims.ledger.books.messages).toEqual([]);
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');

    expect((await act('lims', 'resume', 'maintenance is over')).json).toMatchObject({ paused: 0 });
    await world.says(receipt.id, 'conforms');
    expect(world.lims.ledger.books.messages).toHaveLength(2);
    const trail = await world.db
      .selectFrom('audit_entry')
      .select(['action', 'actor_kind', 'reason', 'subject_id'])
      .where('subject_kind', '=', 'destination')
      .where('action', 'in', ['destination.paused', 'destination.resumed'])
      .orderBy('at')
      .execute();
    expect(trail).toEqual([
      {
        action: 'destination.paused',
        actor_kind: 'cli',
        reason: 'maintenance',
        subject_id: 'lims',
      },
      {
        action: 'destination.resumed',
        actor_kind: 'cli',
        reason: 'maintenance is over',
        subject_id: 'lims',
      },
    ]);
  });

  it('is paused by nobody without the right, without a reason, or under a name that is not there', async () => {
    expect((await act('lims', 'pause', 'maintenance', world.key)).status).toBe(403);
    expect((await act('lims', 'pause', '  ')).status).toBe(400);
    expect((await act('nowhere', 'pause', 'maintenance')).status).toBe(404);
    expect(await shown('lims')).toMatchObject({ paused: false });
  });
});
