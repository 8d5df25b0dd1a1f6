import type { CompiledQuery, QueryResult } from 'kysely';
import { describe, expect, it } from 'vitest';
import { importMethods } from '../../src/methods/import-methods.store.js';
import { type MethodActAnswer, MethodsService } from '../../src/pipeline/methods.service.js';
import { UnreadableEvidence } from '../../src/pipeline/unreadable-evidence.service.js';
import { lockReceipts } from '../../src/receipts/facts.store.js';
import { transactLocking } from '../../src/receipts/receipt-locks.store.js';
import type { SigningService } from '../../src/signatures/signing.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import type { Trx } from '../../src/storage/database.js';
import { somebodyWaits } from '../support/lock-waits.js';
import { until } from '../support/until.js';
import { time } from './conforming-facts.js';
import { StatementWorld } from './statement-world.js';

/**
 * Two transactions on two connections about one receipt: one evaluates it while the other brings bad news. The
 * first is held up where it has read the facts and not yet the latest statement.
 */

const WAITS_FOR_THE_LATEST = /select "document" from "statement" (?!.*"outcome")/;
const SHARES_EVIDENCE = /"site_evidence".* for share/;

interface Gate {
  readonly reached: Promise<void>;
  readonly open: () => void;
  readonly pass: () => Promise<void>;
}

function gate(): Gate {
  let reach: () => void = () => undefined;
  let open: () => void = () => undefined;
  const reached = new Promise<void>((resolve) => {
    reach = resolve;
  });
  const opened = new Promise<void>((resolve) => {
    open = resolve;
  });
  return {
    reached,
    open: () => open(),
    pass: () => {
      reach();
      return opened;
    },
  };
}

/** The same transaction, waiting at a gate before a query, and leaving one out. */
function heldUp(trx: Trx, at: Gate, without?: RegExp): Trx {
  const executeQuery = async (query: CompiledQuery): Promise<QueryResult<unknown>> => {
    if (without?.test(query.sql)) return { rows: [{}] };
    if (WAITS_FOR_THE_LATEST.test(query.sql)) await at.pass();
    return trx.executeQuery(query);
  };
  return new Proxy(trx, {
    get: (target, name) => {
      if (name === 'executeQuery') return executeQuery;
      const value: unknown = Reflect.get(target, name, target);
      return typeof value === 'function' ? value.bind(target) : value;
    },
  });
}

/** Everything R-1 needs to conform is there, and nobody has evaluated it since. */
async function aboutToConform(): Promise<StatementWorld> {
  const world = await StatementWorld.open();
  await world.announce();
  await world.measure({ container: 'D-01' }, { container: 'D-02' });
  await world.hear('NQ-R-0001', time('08:59'));
  await world.hear('NQ-R-0002', time('08:59'));
  await world.setDeliveries('result', 'confirmed');
  return world;
}

interface Evaluating {
  readonly at: Gate;
  readonly ended: Promise<unknown>;
}

/** An evaluation of R-1 that has read its facts. */
async function evaluating(
  world: StatementWorld,
  how: { readonly lock: boolean; readonly without?: RegExp },
): Promise<Evaluating> {
  const at = gate();
  const ended = world.database.transact(async (trx) => {
    if (how.lock) await lockReceipts(trx, world.site.site, ['R-1']);
    const held = heldUp(trx, at, how.without);
    return world.statements.evaluateInTransaction(held, 'R-1', time('09:00'));
  });
  await at.reached;
  return { at, ended };
}

async function unreadableBytes(world: StatementWorld): Promise<void> {
  const evidence = new UnreadableEvidence(world.site, world.statements);
  const bytes = {
    id: 'intake-1',
    receivedAt: time('08:59'),
    message: 'the document ends too early',
  };
  await transactLocking(world.database, world.site.site, (trx, locks) =>
    evidence.open(trx, locks, bytes, time('09:01')),
  );
}

describe('a failing result and an evaluation of its receipt at the same moment', () => {
  it('both commit without the lock of the receipt, and the lot conforms beside its failure', async () => {
    const world = await aboutToConform();
    const { at, ended } = await evaluating(world, { lock: false });
    await world.measure({ container: 'D-01', decision: 'fail' });
    expect((await world.told()).at(-1)).toMatch(/does-not-conform$/);
    at.open();
    await ended;
    expect((await world.told()).at(-1)).toMatch(/ conforms$/);
    expect(await world.stops()).toEqual([]);
  });

  it('wait for each other with it: the failure comes behind the conforms and stops it', async () => {
    const world = await aboutToConform();
    const { at, ended } = await evaluating(world, { lock: true });
    let isMeasured = false;
    const measuring = world.measure({ container: 'D-01', decision: 'fail' }).then(() => {
      isMeasured = true;
    });
    await until('the failing result waits for the lock', async () => {
      return await somebodyWaits(world.database);
    });
    expect(isMeasured).toBe(false);
    at.open();
    await Promise.all([ended, measuring]);
    const told = await world.told();
    expect(told.slice(-2).map((line) => line.replace(/^\d+ /, ''))).toEqual([
      'conforms',
      'does-not-conform',
    ]);
    expect((await world.stops()).at(-1)).toMatch(/withdraw$/);
  });
});

describe('evidence without an owner and an evaluation of a receipt it could belong to', () => {
  it('miss each other where the evaluation does not share the evidence of the site', async () => {
    const world = await aboutToConform();
    const { at, ended } = await evaluating(world, { lock: true, without: SHARES_EVIDENCE });
    await unreadableBytes(world);
    at.open();
    await ended;
    expect((await world.told()).at(-1)).toMatch(/ conforms$/);
    expect(await world.stops()).toEqual([]);
  });

  it('wait for each other where it does: the evidence suspends what came to conform before it', async () => {
    const world = await aboutToConform();
    const { at, ended } = await evaluating(world, { lock: true });
    const storing = unreadableBytes(world);
    await until('the evidence waits for the evaluation', async () => {
      return await somebodyWaits(world.database);
    });
    at.open();
    await Promise.all([ended, storing]);
    expect((await world.told()).at(-1)).toMatch(/ incomplete$/);
    expect((await world.stops()).at(-1)).toMatch(/suspend$/);
  });
});

describe('news that a receipt waits for', () => {
  it('is not missed by an evaluation that had read its facts before the news was committed', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    await world.measure({ container: 'D-01' }, { container: 'D-02' });
    await world.setDeliveries('result', 'confirmed');
    // Covered, and neither instrument was heard of: it is about to wait.
    const { at, ended } = await evaluating(world, { lock: true });
    await world.hear('NQ-R-0001', time('08:59'));
    await world.hear('NQ-R-0002', time('08:59'));
    await world.tellNews();
    const passing = world.statements.evaluateDue(10);
    await until('the news waits for the evaluation', async () => {
      return await somebodyWaits(world.database);
    });
    at.open();
    await Promise.all([ended, passing]);
    await world.statements.evaluateDue(10);
    expect((await world.told()).at(-1)).toMatch(/ conforms$/);
  });
});

/** Invalidates version 1 of the receipt's method; the signature is another test's. */
async function findWrong(world: StatementWorld): Promise<MethodActAnswer> {
  const signed = { kind: 'signed', signature: { id: 'signature-1' } };
  const signing = {
    prove: () => Promise.resolve({ kind: 'proven', proof: {} }),
    judge: () => Promise.resolve(null),
    sign: () => Promise.resolve(signed),
  };
  const methods = new MethodsService({
    database: world.database,
    clock: world.clock,
    site: world.site,
    statements: world.statements,
    signing: signing as unknown as SigningService,
    onSigned: () => undefined,
  });
  const name = { id: 'ID-NQ-1001', version: '1' };
  const request = {
    act: 'invalidate',
    at: null,
    shownSha256: '',
    reason: 'told by the test',
  } as const;
  return methods.sign(name, request, {} as SigningRequest);
}

async function aboutToConformByRegistry(): Promise<StatementWorld> {
  const world = await aboutToConform();
  const folder = { site: world.site, referenceBytes: new Map<string, Uint8Array>() };
  await world.database.transact((trx) => importMethods(trx, folder, time('08:00')));
  return world;
}

describe('a method found wrong and an evaluation of a receipt that rests on it', () => {
  it('miss each other where the evaluation does not share the evidence of the site', async () => {
    const world = await aboutToConformByRegistry();
    const { at, ended } = await evaluating(world, { lock: true, without: SHARES_EVIDENCE });
    expect(await findWrong(world)).toMatchObject({ kind: 'signed', stopped: [] });
    at.open();
    await ended;
    expect((await world.told()).at(-1)).toMatch(/ conforms$/);
    expect(await world.stops()).toEqual([]);
  });

  it('wait for each other with it: the act comes behind the conforms and stops it', async () => {
    const world = await aboutToConformByRegistry();
    const { at, ended } = await evaluating(world, { lock: true });
    const finding = findWrong(world);
    await until('the act waits for the evaluation', async () => {
      return await somebodyWaits(world.database);
    });
    at.open();
    const [, found] = await Promise.all([ended, finding]);
    expect(found).toMatchObject({ kind: 'signed', stopped: ['R-1'] });
    expect((await world.told()).at(-1)).toMatch(/ incomplete$/);
    expect((await world.stops()).at(-1)).toMatch(/suspend$/);
  });
});

describe('several processes that evaluate what is due', () => {
  it('share it, and evaluate nothing twice', async () => {
    const world = await StatementWorld.open();
    const ids = Array.from({ length: 30 }, (_, i) => `R-${i}`);
    await world.announce(...ids.map((id) => ({ receiptId: id, scanText: `RC-${id}` })));
    await world.database.db.updateTable('receipt').set({ evaluation_due: 1 }).execute();
    const processes = [1, 2, 3].map(() => world.withSite(world.site).statements);
    const evaluated = (await Promise.all(processes.map((s) => s.evaluateDue(50)))).flat();
    expect(evaluated.map(({ receiptId }) => receiptId).sort()).toEqual(ids.sort());
  });
});
