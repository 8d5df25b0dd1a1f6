import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import type { StatementRecord } from '../../src/records/statement-record.js';
import { Dock, EAST, receiptOf, remade } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';
import { erpUsage, found, toldErp } from './observe.js';

/** Rule 13 with the whole gateway: what a performance check says of the results around it. */

const [FIRST, SECOND] = EAST;
const receipt = receiptOf(1);
/** Further off than the site's tolerance of 2.5 cm-1. */
const OFF = 4;

let world: GatewayWorld;
let dock: Dock;

beforeEach(async () => {
  world = await GatewayWorld.open({ performanceChecks: true });
  dock = new Dock(world);
  await makePerson(world, 'ada', ['administrator']);
  await makePerson(world, 'robin', ['reviewer']);
  await dock.announce(receipt);
});

afterEach(async () => {
  await world.close();
});

function measureBoth(serial: string): void {
  for (const { label } of receipt.drums) dock.measure(serial, receipt, label);
}

function bracket(statement: StatementRecord) {
  return found(statement, 'performance-brackets');
}

/** Everything else of the receipt is in order, and arrived. */
async function measured(): Promise<void> {
  dock.check(FIRST);
  measureBoth(FIRST);
  for (const serial of EAST) await dock.sync(serial);
  await world.quiet();
}

async function openFailures(): Promise<string[]> {
  const rows = await world.db
    .selectFrom('discrepancy')
    .select('detail')
    .where('class', '=', 'performance-failed')
    .where('closed_at', 'is', null)
    .execute();
  return rows.map(({ detail }) => detail);
}

async function signCause(checkId: string): Promise<void> {
  const { id } = await world.db
    .selectFrom('performance_check')
    .select('id')
    .where('check_id', '=', checkId)
    .executeTakeFirstOrThrow();
  const path = `/api/v1/performance-checks/${id}/cause`;
  const shown = await world.http({ path, key: world.controlToken });
  const answer = await world.http({
    path,
    method: 'POST',
    key: world.controlToken,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({
      shown: shown.json['sha256'],
      investigation: 'INV-26-031',
      reason: 'the standard stood askew in its holder, log 9 (simulated)',
      userName: 'robin',
      password: PASSWORD,
    }),
  });
  expect(answer.text).toContain('"meaning":"reviewed"');
}

function limsMessages(): string[] {
  return world.lims.ledger.books.messages.map((m) => m.messageType);
}

function heldResults() {
  return world.db
    .selectFrom('result')
    .innerJoin('finding', 'finding.result_row_id', 'result.id')
    .select(['result.id', 'finding.code'])
    .where('result.state', '=', 'held')
    .where('finding.severity', '=', 'hold')
    .orderBy('result.id')
    .execute();
}

async function heldBy(): Promise<string[]> {
  return (await heldResults()).map(({ code }) => code);
}

async function refuseHeld(): Promise<void> {
  for (const { id } of await heldResults()) {
    const path = `/api/v1/results/${id}/review`;
    const shown = await world.http({ path, key: world.controlToken });
    const answer = await world.http({
      path,
      method: 'POST',
      key: world.controlToken,
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({
        shown: shown.json['sha256'],
        act: 'refuse',
        reason: 'measured again elsewhere (simulated)',
        userName: 'robin',
        password: PASSWORD,
      }),
    });
    expect(answer.text).toContain('"meaning":"refused"');
  }
}

describe('a performance check behind the results', () => {
  it('is waited for, and lets them count once it passed', async () => {
    await measured();
    const waiting = await world.statement(receipt.id);
    expect(waiting.outcome).toBe('incomplete');
    expect(bracket(waiting)).toMatchObject({ state: 'unmet' });
    expect(bracket(waiting).found).toContain('waits for the next passing check');
    const others = waiting.conditions.filter((c) => c.code !== 'performance-brackets');
    expect(others.filter((c) => c.state !== 'met' && c.state !== 'not-evaluated')).toEqual([]);
    expect(toldErp(world, receipt.id)).not.toContain('USE-PERMITTED');

    dock.check(FIRST);
    await dock.sync(FIRST);
    expect(bracket(await world.says(receipt.id, 'conforms')).evidence).toHaveLength(2);
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
  });

  it('that failed suspends them; a repeat lifts nothing until its cause is signed', async () => {
    await measured();
    const failed = dock.check(FIRST, OFF);
    await dock.sync(FIRST);
    expect(bracket(await world.statement(receipt.id)).found).toContain(
      `check ${failed} after it failed`,
    );
    expect(await openFailures()).toHaveLength(1);

    dock.check(FIRST);
    await dock.sync(FIRST);
    await world.quiet();
    const unsigned = await world.statement(receipt.id);
    expect(unsigned.outcome).toBe('incomplete');
    expect(bracket(unsigned).found).toContain('nobody signed its cause');
    expect(toldErp(world, receipt.id)).not.toContain('USE-PERMITTED');

    await signCause(failed);
    await world.says(receipt.id, 'conforms');
    expect(await openFailures()).toEqual([]);
  });

  it('that failed twice withdraws them, whatever is signed; refused and measured elsewhere the receipt conforms', async () => {
    await measured();
    const failed = dock.check(FIRST, OFF);
    dock.check(FIRST, OFF);
    dock.check(FIRST);
    await dock.sync(FIRST);
    expect(bracket(await world.says(receipt.id, 'does-not-conform')).state).toBe('contradicted');
    await signCause(failed);
    expect((await world.statement(receipt.id)).outcome).toBe('does-not-conform');
    expect(await openFailures()).toHaveLength(1);
    // Rule 13: LIMS had them, and is told that they do not stand.
    await world.quiet();
    expect(limsMessages()).toEqual(['result', 'result', 'withdrawal', 'withdrawal']);
    expect(await heldBy()).toEqual(['performance-failed-twice', 'performance-failed-twice']);

    dock.check(SECOND);
    measureBoth(SECOND);
    dock.check(SECOND);
    for (const serial of EAST) await dock.sync(serial);
    expect((await world.says(receipt.id, 'incomplete')).outcome).toBe('incomplete');
    await refuseHeld();
    const statement = await world.says(receipt.id, 'conforms');
    expect(bracket(statement).found).toContain('does not count');
  });

  it('comes in any order: the statement is the same at the end', async () => {
    dock.check(FIRST);
    measureBoth(FIRST);
    const before = dock.pack(FIRST);
    dock.check(FIRST, OFF);
    const failing = dock.pack(FIRST);
    dock.check(FIRST);
    const passing = dock.pack(FIRST);
    for (const bundle of [passing, before, failing]) await world.take(bundle);
    await dock.sync(SECOND);
    await world.quiet();
    const statement = await world.statement(receipt.id);
    expect(statement.outcome).toBe('incomplete');
    expect(bracket(statement).found).toContain('nobody signed its cause');
  });
});

describe('rule 13: a confirmed failure withdraws at LIMS what was delivered', () => {
  /** A pass, both drums, a failure, its repeat that fails too, a pass; each in a bundle of its own. */
  function bundlesOf() {
    dock.check(FIRST);
    const passed = dock.pack(FIRST);
    measureBoth(FIRST);
    const results = dock.pack(FIRST);
    dock.check(FIRST, OFF);
    const failed = dock.pack(FIRST);
    dock.check(FIRST, OFF);
    const again = dock.pack(FIRST);
    dock.check(FIRST);
    return [passed, results, failed, again, dock.pack(FIRST)] as const;
  }

  it.each([[[0, 1, 2, 3, 4]], [[4, 3, 2, 1, 0]], [[2, 3, 0, 1, 4]], [[3, 1, 4, 0, 2]]])(
    'in the order of arrival %j',
    async (order) => {
      const bundles = bundlesOf();
      for (const place of order) {
        await world.take(bundles[place as 0]);
        await world.quiet();
      }
      for (const bundle of bundles) await world.take(bundle);
      expect(await heldBy()).toEqual(['performance-failed-twice', 'performance-failed-twice']);
      const told = limsMessages();
      const results = told.filter((message) => message === 'result').length;
      expect(told.filter((message) => message === 'withdrawal')).toHaveLength(results);
      expect((await world.statement(receipt.id)).outcome).toBe('does-not-conform');
    },
  );

  it('and a first one takes nothing back', async () => {
    const [passed, results, failed] = bundlesOf();
    for (const bundle of [passed, results, failed]) await world.take(bundle);
    await world.quiet();
    expect(await heldBy()).toEqual([]);
    expect(limsMessages()).toEqual(['result', 'result']);
  });
});

describe('late failed performance check', () => {
  it('of a receipt that was released: the stop goes out, and a second failure withdraws', async () => {
    await measured();
    dock.check(FIRST);
    const closing = dock.pack(FIRST);
    await world.take(closing);
    await world.says(receipt.id, 'conforms');
    await world.quiet();
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');

    // Another copy of the same run says that the check failed: the worse of the two counts.
    const [check] = closing.document.performanceChecks;
    if (check === undefined) throw new Error('no check was packed');
    const late = (n: number) =>
      remade(closing.document, {
        bundleId: `late-${n}`,
        performanceChecks: [{ ...check, checkId: `late-check-${n}`, outcome: 'fail' }],
      });
    await world.take(late(1));
    const suspended = await world.statement(receipt.id);
    expect(suspended.outcome).toBe('incomplete');
    expect(bracket(suspended)).toMatchObject({ state: 'unmet' });
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');

    await world.take(late(2));
    const withdrawn = await world.says(receipt.id, 'does-not-conform');
    expect(bracket(withdrawn)).toMatchObject({ state: 'contradicted' });
    const stops = await world.db
      .selectFrom('stop')
      .select(['kind', 'reason'])
      .where('receipt_id', '=', receipt.id)
      .orderBy('statement_revision')
      .execute();
    expect(stops.map(({ kind }) => kind)).toContain('withdraw');
    expect(stops[0]?.reason).toContain('performance-brackets');
    // No later pass ends a stop.
    dock.check(FIRST);
    await dock.sync(FIRST);
    expect((await world.statement(receipt.id)).outcome).toBe('does-not-conform');
  });
});

describe('the trend of an instrument', () => {
  it('lists its checks and bands, and remarks drift before it fails', async () => {
    for (const error of [0, 0.8, 1.7]) dock.check(FIRST, error);
    const bundle = await dock.sync(FIRST);
    expect(bundle.findings.map(({ code }) => code)).toContain('performance-warning');
    const answer = await world.http({ path: `/api/v1/instruments/${FIRST}/performance` });
    const { checks, trend } = answer.json as {
      checks: { verdict: string }[];
      trend: { expected: string; points: { deviation: string; state: string }[] }[];
    };
    expect(checks.map(({ verdict }) => verdict)).toEqual(['pass', 'pass', 'pass']);
    const band = trend.find(({ expected }) => expected === '1001.4');
    expect(band?.points.map(({ deviation }) => Math.round(Number(deviation)))).toEqual([0, 1, 2]);
    expect(band?.points.at(-1)?.state).toBe('warning');
    expect((await world.http({ path: '/api/v1/instruments/NOBODY/performance' })).status).toBe(404);
  });
});
