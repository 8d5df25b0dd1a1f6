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

function act(
  name: string,
  what: 'pause' | 'resume',
  reason: string,
  key = world.controlToken,
  more: Record<string, unknown> = {},
) {
  return world.http({
    path: `/api/v1/destinations/${name}/${what}`,
    key,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({ reason, ...more }),
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

  it('is neither resumed nor paused by what somebody saw before another person paused it', async () => {
    const seen = async () => ({ digest: (await shown('lims'))['pauseDigest'] });
    const open = await seen();
    await act('lims', 'pause', 'maintenance');
    const first = await seen();
    await act('lims', 'resume', 'maintenance is over');
    expect(await seen()).toEqual(open);
    await act('lims', 'pause', 'it stores what it should not');
    for (const [what, of] of [
      ['resume', first],
      ['pause', open],
    ] as const) {
      const answer = await act('lims', what, 'by what was shown', world.controlToken, of);
      expect(answer.json).toMatchObject({ status: 409, code: 'pause-changed' });
      expect(answer.json['detail']).toContain('it stores what it should not');
    }
    expect(await shown('lims')).toMatchObject({ pauseReason: 'it stores what it should not' });
    const now = await seen();
    const done = await act('lims', 'resume', 'it is mended', world.controlToken, now);
    expect(done.json).toMatchObject({ paused: 0 });
    const malformed = await act('lims', 'pause', 'x', world.controlToken, { digest: 1 });
    expect(malformed.status).toBe(400);
  });

  it('is paused by nobody without the right, without a reason, or under a name that is not there', async () => {
    expect((await act('lims', 'pause', 'maintenance', world.key)).status).toBe(403);
    expect((await act('lims', 'pause', '  ')).status).toBe(400);
    expect((await act('nowhere', 'pause', 'maintenance')).status).toBe(404);
    expect(await shown('lims')).toMatchObject({ paused: false });
  });
});
