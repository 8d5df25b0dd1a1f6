import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { formatInstant } from '../../src/formats/instant.js';
import type { InspectionsView } from '../../src/receipts/inspection-view.js';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';
import { replacing } from '../support/site-edits.js';
import { erpUsage, found, toldErp } from './observe.js';

/** Damage of a receipt's containers inspected by a plan of the site, with the whole gateway and on to ERP. */

const PLANS = `attributePlans:
  - { material: "*", attribute: damage, level: II, aql: "6.5", decision: D-090, expires: "2030-12-31T23:59:59Z" }
plans:
`;

const DECISION = `decisions:
  - id: D-090
    rule: attribute-plans
    decidedBy: Head of Quality, Northquay (simulated)
    date: "2026-01-12"
    reason: Damage is looked for by a sample; identity is measured by its own plan.
    signed: false
`;

const receipt = receiptOf(1);
const path = `/api/v1/receipts/${receipt.id}/inspections`;

let world: GatewayWorld;

beforeEach(async () => {
  const edit = (text: string) =>
    replacing('plans:\n', PLANS)(replacing('decisions:\n', DECISION)(text));
  world = await GatewayWorld.open({ secondPerson: true, edits: { 'site.yaml': edit } });
  const dock = new Dock(world);
  await makePerson(world, 'ada', ['administrator']);
  await makePerson(world, 'robin', ['reviewer']);
  await makePerson(world, 'alex', ['reviewer']);
  await dock.announce(receipt);
  await dock.measureAll(receipt);
});

afterEach(async () => {
  await world.close();
});

async function look(): Promise<InspectionsView> {
  const answer = await world.http({ path, key: world.controlToken });
  const view = answer.json as unknown as InspectionsView;
  expect(answer.headers['etag']).toBe(`"${view.sha256}"`);
  return view;
}

async function report(fields: Record<string, unknown> = {}) {
  const { sha256, plans } = await look();
  return world.http({
    path,
    method: 'POST',
    key: world.controlToken,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({
      shown: sha256,
      attribute: 'damage',
      inspected: plans[0]?.n,
      nonconforming: 0,
      inspectedBy: 'A. Receiver (simulated)',
      inspectedAt: formatInstant(world.clock.now()),
      reason: 'count sheet 12 (simulated)',
      userName: 'robin',
      password: PASSWORD,
      ...fields,
    }),
  });
}

async function sign(userName: string) {
  const review = `/api/v1/receipts/${receipt.id}/review`;
  const { json } = await world.http({ path: review, key: world.controlToken });
  return world.http({
    path: review,
    method: 'POST',
    key: world.controlToken,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({
      act: 'sign',
      shown: json['sha256'],
      reason: 'results and count looked at (simulated)',
      userName,
      password: PASSWORD,
    }),
  });
}

describe('damage inspected by a plan', () => {
  it('is waited for, lets the receipt conform, and stops it when a later count is rejected', async () => {
    await world.until('only inspection and second person are missing', async () => {
      const { conditions } = await world.statement(receipt.id);
      const open = conditions.filter((c) => c.state === 'unmet' || c.state === 'contradicted');
      const codes = open.map(({ code }) => code).sort();
      return codes.join(' ') === 'attribute-inspections second-person';
    });
    expect(erpUsage(world, receipt.id)).not.toBe('released');
    expect(await report()).toMatchObject({
      status: 200,
      json: { receiptId: receipt.id, signature: { printedName: 'Person robin (simulated)' } },
    });
    // Who signed the count is not the second person of the statement that rests on it.
    expect(await sign('robin')).toMatchObject({ json: { code: 'duty-own-result' } });
    expect(await sign('alex')).toMatchObject({ json: { outcome: 'conforms' } });
    const statement = await world.says(receipt.id, 'conforms');
    expect(found(statement, 'attribute-inspections').evidence).toEqual([
      { kind: 'decision', id: 'D-090' },
      { kind: 'inspection', id: (await look()).inspections[0]?.id },
    ]);
    expect(statement.decisions.map(({ id }) => id)).toContain('D-090');
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');

    expect((await report({ nonconforming: 1 })).status).toBe(200);
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
    await world.quiet();
    expect(toldErp(world, receipt.id).at(-1)).toBe('BLOCK-DOUBT');
    expect((await report()).status).toBe(200);
    const stopped = await world.statement(receipt.id);
    expect(stopped.stopInForce).toMatchObject({ kind: 'suspend' });
    expect(found(stopped, 'attribute-inspections')).toMatchObject({
      state: 'unmet',
      found: expect.stringContaining('the quality unit decides') as string,
    });
  });

  it('is refused where a field cannot be read, by its name, and nothing is entered', async () => {
    const refused: [Record<string, unknown>, string][] = [
      [{ attribute: 'identity' }, 'attribute: expected labels or damage'],
      [{ inspected: 0 }, 'inspected: expected a whole number of containers, 1 to 20000'],
      [{ inspected: 1.5 }, 'inspected: expected a whole number of containers, 1 to 20000'],
      [{ nonconforming: '0' }, 'nonconforming: expected a whole number of containers, 0 to 20000'],
      [{ inspectedBy: ' ' }, 'inspectedBy: expected who looked, 1 to 100 characters'],
      [
        { inspectedAt: '2026-07-01T09:30:00' },
        'inspectedAt: expected a date-time with offset such as 2026-07-01T09:30:00+01:00',
      ],
    ];
    for (const [fields, detail] of refused) {
      expect((await report(fields)).json).toMatchObject({ code: 'query-invalid', detail });
    }
    expect((await look()).inspections).toEqual([]);
  });
});
