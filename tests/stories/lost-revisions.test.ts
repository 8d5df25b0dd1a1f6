import { join } from 'node:path';
import { afterEach, expect, it } from 'vitest';
import { addMs, formatInstant } from '../../src/formats/instant.js';
import { backUp, describeBackups, putBack } from '../support/backups.js';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';
import { temporaryDirectory } from '../support/temp-database.js';
import { erpUsage, toldErp } from './observe.js';

// Rule 28: what the life that a restore ended had said of a receipt, or of what became of it.

const STORY_MS = 90_000;
const RECEIPT = receiptOf(1);

let world: GatewayWorld;

afterEach(async () => {
  await world.close();
});

function ask(path: string) {
  return world.http({ path: `/api/v1/${path}`, key: world.controlToken });
}

function send(path: string, body: Record<string, unknown>, key = world.controlToken) {
  return world.http({
    path: `/api/v1/${path}`,
    method: 'POST',
    key,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify(body),
  });
}

async function sign(path: string, userName: string, fields: Record<string, unknown>) {
  const proof = { reason: 'looked into (simulated)', userName, password: PASSWORD };
  const signed = await send(path, { ...proof, ...fields });
  expect(signed.status, signed.text).toBe(200);
  return signed;
}

async function backedUp(): Promise<string> {
  const backup = join(temporaryDirectory(), 'backup.db');
  await backUp(world.databasePlace, backup);
  return backup;
}

/** Restored, read back and resumed by a person. */
async function restored(backup: string): Promise<void> {
  await world.stop();
  await world.restartAt(await putBack(backup));
  let state: Record<string, unknown> = {};
  await world.until(
    () => `the destinations are read back: ${JSON.stringify(state)}`,
    async () => {
      state = (await ask('instance')).json;
      return (state['notReadBack'] as unknown[]).length === 0 && state['unanswered'] === 0;
    },
  );
  const resumed = await send('instance/resume', { reason: 'disk failure', unheardIsKnown: true });
  expect(resumed.status, resumed.text).toBe(200);
  await world.quiet();
}

/** Compares what a destination holds of the last two hours, and waits for the end of it. */
async function swept(destination: string): Promise<void> {
  const path = `destinations/${destination}/sweeps`;
  const now = world.clock.now();
  const period = { from: formatInstant(addMs(now, -7_200_000)), to: formatInstant(now) };
  const { json, status, text } = await send(path, period);
  expect(status, text).toBe(202);
  await world.until(
    `${destination} is swept`,
    async () => (await ask(`${path}/${String(json['id'])}`)).json['state'] === 'done',
  );
  await world.quiet();
}

/** What destinations hold of it and nobody sent, as far as is known here. */
async function openAgainst(receiptId: string): Promise<string[]> {
  const rows = await world.db
    .selectFrom('discrepancy')
    .select('detail')
    .where('receipt_id', '=', receiptId)
    .where('class', '=', 'unknown-at-source')
    .where('closed_at', 'is', null)
    .execute();
  return rows.map(({ detail }) => detail).sort();
}

describeBackups('a receipt that conformed before its backup', () => {
  it('is stopped above the conforms of the lost time, also where both have the same number', {
    timeout: STORY_MS,
  }, async () => {
    world = await GatewayWorld.open();
    const dock = new Dock(world);
    await dock.conform(RECEIPT);
    await world.until('released', () => erpUsage(world, RECEIPT.id) === 'released');
    await world.quiet();
    const backup = await backedUp();
    // One revision more in the time that is lost: the stop of the life that goes on would be just that one.
    const before = toldErp(world, RECEIPT.id).length;
    await dock.measureAll(RECEIPT);
    await world.until('told again', () => toldErp(world, RECEIPT.id).length > before);
    await world.quiet();
    expect(toldErp(world, RECEIPT.id).slice(before)).toEqual(['USE-PERMITTED']);

    await restored(backup);
    await world.until('blocked', () => erpUsage(world, RECEIPT.id) === 'blocked');
    expect(toldErp(world, RECEIPT.id).at(-1)).toMatch(/^BLOCK/);
    const { outcome, stopInForce } = await world.statement(RECEIPT.id);
    expect(outcome).not.toBe('conforms');
    await world.until('effective', async () => {
      const stops = (await ask(`receipts/${RECEIPT.id}/stops`)).json['stops'];
      return (stops as { effectiveAt: unknown }[]).at(-1)?.effectiveAt !== null;
    });
    expect(stopInForce).not.toBeNull();
  });

  it('is covered by no result that was withdrawn in the lost time as one of its parts', {
    timeout: STORY_MS,
  }, async () => {
    world = await GatewayWorld.open({ erpPulls: false });
    await makePerson(world, 'ada', ['administrator']);
    await makePerson(world, 'robin', ['reviewer']);
    await makePerson(world, 'quinn', ['signer']);
    await new Dock(world).conform(RECEIPT);
    const backup = await backedUp();
    const refuse = async () => {
      const { id } = await world.db
        .selectFrom('result')
        .select('id')
        .where('container_label', '=', RECEIPT.drums[0]?.label ?? '')
        .executeTakeFirstOrThrow();
      const path = `results/${id}/review`;
      await sign(path, 'robin', { act: 'refuse', shown: (await ask(path)).json['sha256'] });
      await world.quiet();
    };
    const parts = RECEIPT.drums.map(({ label }, i) => ({
      receiptId: `${RECEIPT.id}-${i}`,
      scanText: `${RECEIPT.scanText}-${i}`,
      containers: [label],
    }));
    const split = await world.http({
      path: `/api/v1/receipts/${RECEIPT.id}/split`,
      method: 'POST',
      headers: { 'content-type': 'application/json', 'idempotency-key': '"split"' },
      body: JSON.stringify({ reason: 'two stores', parts }),
    });
    expect(split.status, split.text).toBe(200);
    await world.quiet();
    await refuse();
    const withdrawals = () =>
      world.lims.ledger.books.messages.filter((m) => m.content.includes('"withdrawal"')).length;
    await world.until('withdrawn', () => withdrawals() === 1);

    await restored(backup);
    const lost = `receipts/${RECEIPT.id}/stops/lost`;
    const shown = (await ask(lost)).json['sha256'];
    await sign(lost, 'quinn', { shown, investigation: 'INV-1' });
    const stops = async () => (await ask(`receipts/${RECEIPT.id}/stops`)).json;
    await world.until('effective', async () =>
      ((await stops())['stops'] as { effectiveAt: unknown }[]).every((s) => s.effectiveAt !== null),
    );
    const { inForce, sha256 } = await stops();
    const lift = { stop: inForce, shown: sha256, investigation: 'INV-2' };
    await sign(`receipts/${RECEIPT.id}/stops/lift`, 'quinn', lift);
    await world.quiet();
    expect(await openAgainst(RECEIPT.id)).toEqual([
      expect.stringMatching(/^erp holds withdrawal \S+ revision 1 under /),
      expect.stringMatching(/^lims holds withdrawal \S+ revision 1 under /),
    ]);
    expect((await world.statement(RECEIPT.id)).outcome).toBe('incomplete');

    // Refused here too it is the same withdrawal, which is there already.
    await refuse();
    let open: string[] = [];
    await world.until(
      () => `it is accounted for: ${open.join('; ')}`,
      async () => {
        for (const destination of ['lims', 'erp']) await swept(destination);
        open = await openAgainst(RECEIPT.id);
        return open.length === 0;
      },
    );
    expect(withdrawals()).toBe(1);
    expect((await world.statement(RECEIPT.id)).outcome).toBe('incomplete');
  });
});
