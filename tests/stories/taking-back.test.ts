import { afterEach, describe, expect, it } from 'vitest';
import { erpField, readErpMessage } from '../../src/simulation/erp-message.js';
import type { Misbehaviour } from '../../src/simulation/misbehaviour.js';
import { Dock, drum, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type WorldOptions } from '../support/gateway-world.js';
import { erpUsage, stateOf, toldErp } from './observe.js';

/** Taking back what was said, lived through with the whole gateway and systems that act on it. */

const [FIRST] = EAST;

let world: GatewayWorld;
let dock: Dock;

async function openWorld(options: WorldOptions = {}): Promise<void> {
  world = await GatewayWorld.open(options);
  dock = new Dock(world);
}

afterEach(async () => {
  await world.close();
});

describe('rule 20: any way out of conforms is a stop', () => {
  it('suspends when the receipt is announced anew with a drum more', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.conform(receipt);
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
    await dock.announce({ ...receipt, drums: [...receipt.drums, drum(1, 3)] });
    const statement = await world.statement(receipt.id);
    expect(statement).toMatchObject({ outcome: 'incomplete', stopInForce: { kind: 'suspend' } });
    expect(stateOf(statement, 'D1-03')).toBe('not-measured');
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
    await world.quiet();
    expect(toldErp(world, receipt.id).at(-1)).toBe('BLOCK-DOUBT');

    // The drum is measured and passes: the stop stays.
    dock.measure(FIRST, receipt, 'D1-03');
    for (const serial of EAST) await dock.sync(serial);
    await world.quiet();
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');
    expect(erpUsage(world, receipt.id)).toBe('blocked');
  });
});

/** Long enough for the stop to be found, built and sent while the answer to the *conforms* is still out. */
function withLongDeadlines(siteYaml: string): string {
  return siteYaml.replaceAll('deadlineMs: 1500', 'deadlineMs: 4000');
}

describe('rule 21: a stop wins against a conforms that is on its way', () => {
  const conformsIs = (act: Misbehaviour) => ({
    byOrdinal: [],
    byBody: [{ holds: ['USE-PERMITTED'], act }],
  });

  it.each<[string, Misbehaviour, number]>([
    ['is taken and answered late', { kind: 'slow', ms: 3_500 }, 1],
    ['is taken and never answered', { kind: 'store-then-hang' }, 1],
    ['is never taken nor answered', { kind: 'hang' }, 0],
    ['is sent away for now', { kind: 'unavailable', retryAfterSeconds: 1 }, 0],
  ])('when it %s', async (_name, act, arrives) => {
    await openWorld({ erp: conformsIs(act), edits: { 'site.yaml': withLongDeadlines } });
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    await dock.measureAll(receipt);
    await world.until('the conforms is on its way', async () => (await conforms()).attempts > 0);
    dock.measure(FIRST, receipt, 'D1-02', { holds: 'naphthalene', at: world.clock.now() });
    await dock.sync(FIRST);
    await world.until('ERP shows the stop', () => {
      const shown = world.erp.ledger.books.receipts.get(receipt.id);
      return shown?.usageDecision === 'BLOCK-CONTRARY' && shown.usage === 'blocked';
    });
    await world.quiet();

    const delivery = await conforms();
    // What arrived may be read back as such; what did not is taken back.
    const ends = arrives > 0 ? ['confirmed', 'superseded'] : ['cancelled', 'superseded'];
    expect(ends).toContain(delivery.state);
    const told = toldErp(world, receipt.id);
    expect(told.filter((decision) => decision === 'USE-PERMITTED')).toHaveLength(arrives);
    expect(told.at(-1)).toBe('BLOCK-CONTRARY');
    const stop = await world.db.selectFrom('stop').selectAll().executeTakeFirstOrThrow();
    expect(stop).toMatchObject({ kind: 'withdraw', receipt_id: receipt.id });
    expect(stop.effective_at).not.toBeNull();
    // No send of the conforms began after the stop was issued, and the stop waited for none to end.
    const sends = await sendsOf('statement', delivery.id);
    expect(sends.filter((send) => send.started_at >= stop.issued_at)).toEqual([]);
    const [stopped] = await sendsOf('stop');
    if (act.kind !== 'unavailable') {
      expect(stopped?.started_at).toBeLessThan(sends.at(-1)?.finished_at ?? 0);
    }
    expect((await world.statement(receipt.id)).outcome).toBe('does-not-conform');
  });

  function conforms() {
    return world.db
      .selectFrom('delivery')
      .select(['id', 'state', 'attempts'])
      .where('destination', '=', 'erp')
      .where('message', '=', 'statement')
      .where('barrier', '=', 1)
      .executeTakeFirst()
      .then((row) => row ?? { id: '', state: 'none', attempts: 0 });
  }

  function sendsOf(message: 'statement' | 'stop', deliveryId?: string) {
    return world.db
      .selectFrom('attempt')
      .innerJoin('delivery', 'delivery.id', 'attempt.delivery_id')
      .select(['attempt.started_at', 'attempt.finished_at'])
      .where('attempt.kind', '=', 'send')
      .where('delivery.destination', '=', 'erp')
      .where('delivery.message', '=', message)
      .$if(deliveryId !== undefined, (q) => q.where('delivery.id', '=', deliveryId ?? ''))
      .orderBy('attempt.started_at')
      .execute();
  }
});

describe('an operator who takes a pass back', () => {
  it('has it withdrawn, behind the result, wherever it is held', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    const first = dock.measure(FIRST, receipt, 'D1-01');
    await dock.sync(FIRST);
    await world.quiet();
    const supersedes = { resultId: first, reason: 'wrong drum presented' };
    const second = dock.measure(FIRST, receipt, 'D1-01', { says: { supersedes } });
    await dock.sync(FIRST);
    await world.quiet();

    const rows = await world.db
      .selectFrom('result')
      .select(['result_id', 'state'])
      .orderBy('id')
      .execute();
    expect(rows).toEqual([
      { result_id: first, state: 'superseded' },
      { result_id: second, state: 'accepted' },
    ]);
    const lims = world.lims.ledger.books.messages.map((m) => {
      const { resultId, note } = JSON.parse(m.content) as { resultId: string; note?: string };
      return [m.messageType, resultId, note?.includes('wrong drum presented') ?? false];
    });
    expect(lims.filter(([, id]) => id === first)).toEqual([
      ['result', first, false],
      ['withdrawal', first, true],
    ]);
    const erp = world.erp.ledger.books.messages.flatMap((m) => {
      const read = readErpMessage(m.content);
      return 'fault' in read ? [] : [[m.messageType, erpField(read, 'ResultId')]];
    });
    expect(erp.filter(([, id]) => id === first)).toEqual([
      ['result', first],
      ['withdrawal', first],
    ]);
    const statement = await world.statement(receipt.id);
    expect(stateOf(statement, 'D1-01')).toBe('covered');
  });
});
