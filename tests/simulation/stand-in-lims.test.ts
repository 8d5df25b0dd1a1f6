import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, describe, expect, it } from 'vitest';
import { type MisbehaviourSchedule, WELL_BEHAVED } from '../../src/simulation/misbehaviour.js';
import type { StandIn, StandInOptions } from '../../src/simulation/stand-in.server.js';
import { startStandInLims } from '../../src/simulation/stand-in-lims.server.js';
import { call, TestClock, TOKEN, until } from './support/stand-ins.js';

const PATH = '/api/identity-results';
const running: StandIn[] = [];

async function start(options: Partial<StandInOptions> = {}): Promise<StandIn> {
  const standIn = await startStandInLims({
    clock: new TestClock(),
    token: TOKEN,
    journal: null,
    honoursKey: false,
    askable: true,
    schedule: WELL_BEHAVED,
    processingMs: 0,
    ...options,
  });
  running.push(standIn);
  return standIn;
}

function entry(reference: string, more: Record<string, unknown> = {}): string {
  return JSON.stringify({ reference, messageType: 'result', ...more });
}

function onStore(ordinal: number, act: MisbehaviourSchedule['byOrdinal'][number]['act']) {
  return { byBody: [], byOrdinal: [{ operation: 'store', ordinals: [ordinal], act }] } as const;
}

afterEach(async () => {
  for (const standIn of running.splice(0)) await standIn.close();
});

describe('the stand-in LIMS', () => {
  it('stores a message and answers with a number and the reference', async () => {
    const { url } = await start();
    const answer = await call(url, PATH, { body: entry('d-1') });
    expect(answer.status).toBe(201);
    expect(JSON.parse(answer.text)).toEqual({ stored: true, number: 'L-000001', reference: 'd-1' });
  });

  it('stores the same message twice when it is posted twice, whatever key it carries', async () => {
    const { url, ledger } = await start();
    await call(url, PATH, { body: entry('d-1'), key: 'k-1' });
    await call(url, PATH, { body: entry('d-1'), key: 'k-1' });
    expect(ledger.books.messages.map((m) => m.number)).toEqual(['L-000001', 'L-000002']);
  });

  it('shows what it holds for a reference, digits and all', async () => {
    const { url, ledger } = await start();
    await call(url, PATH, { body: '{"reference":"d-1","messageType":"result","score":0.9900}' });
    await until(() => ledger.books.messages[0]?.applied === true);
    const answer = await call(url, `${PATH}?reference=d-1`);
    expect(answer.text).toBe(
      '{"entries":[{"number":"L-000001","applied":true,"content":{"reference":"d-1","messageType":"result","score":0.9900}}]}',
    );
    expect(JSON.parse((await call(url, `${PATH}?reference=d-2`)).text)).toEqual({ entries: [] });
  });

  it('takes nothing without the token, without a reference or of an unknown type', async () => {
    const { url, ledger } = await start();
    expect((await call(url, PATH, { body: entry('d-1'), token: 'wrong' })).status).toBe(401);
    expect((await call(url, PATH, { body: '{"messageType":"result"}' })).status).toBe(400);
    expect((await call(url, PATH, { body: 'no json' })).status).toBe(400);
    expect((await call(url, PATH, { body: entry('d-1', { messageType: 'gossip' }) })).status).toBe(
      400,
    );
    expect(ledger.books.messages).toEqual([]);
  });

  it('stores and never answers where its schedule says so', async () => {
    const { url, ledger } = await start({ schedule: onStore(1, { kind: 'store-then-hang' }) });
    await expect(call(url, PATH, { body: entry('d-1'), deadlineMs: 300 })).rejects.toThrow();
    expect(ledger.books.messages).toHaveLength(1);
    expect((await call(url, PATH, { body: entry('d-2') })).status).toBe(201);
  });

  it('neither stores nor answers where its schedule says so', async () => {
    const { url, ledger } = await start({ schedule: onStore(1, { kind: 'hang' }) });
    await expect(call(url, PATH, { body: entry('d-1'), deadlineMs: 300 })).rejects.toThrow();
    expect(ledger.books.messages).toHaveLength(0);
  });

  it('answers 503 with Retry-After and stores nothing where its schedule says so', async () => {
    const act = { kind: 'unavailable', retryAfterSeconds: 2 } as const;
    const { url, ledger } = await start({ schedule: onStore(2, act) });
    await call(url, PATH, { body: entry('d-1') });
    expect(await call(url, PATH, { body: entry('d-2') })).toMatchObject({
      status: 503,
      retryAfter: '2',
    });
    expect(ledger.books.messages).toHaveLength(1);
  });

  it('refuses the one subject it is told to, every time', async () => {
    const { url, ledger } = await start({
      schedule: {
        byOrdinal: [],
        byBody: [{ holds: ['D-7'], act: { kind: 'reject', status: 422, words: 'on hold' } }],
      },
    });
    for (const reference of ['d-1', 'd-2']) {
      const answer = await call(url, PATH, { body: entry(reference, { container: 'D-7' }) });
      expect(answer).toMatchObject({ status: 422, text: expect.stringContaining('on hold') });
    }
    expect((await call(url, PATH, { body: entry('d-3', { container: 'D-8' }) })).status).toBe(201);
    expect(ledger.books.messages.map((m) => m.reference)).toEqual(['d-3']);
  });

  it('cannot be asked when it is of the kind that cannot', async () => {
    const { url } = await start({ askable: false });
    await call(url, PATH, { body: entry('d-1') });
    expect((await call(url, `${PATH}?reference=d-1`)).status).toBe(404);
  });

  it('holds the same books after a start from its journal, and goes on numbering', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'stand-in-'));
    try {
      const journal = join(folder, 'lims.jsonl');
      const first = await start({ journal });
      await call(first.url, PATH, { body: entry('d-1') });
      await until(() => first.ledger.books.messages[0]?.applied === true);
      await first.close();
      const second = await start({ journal });
      expect(second.ledger.books.messages).toEqual(first.ledger.books.messages);
      const answer = await call(second.url, PATH, { body: entry('d-2') });
      expect(JSON.parse(answer.text)).toMatchObject({ number: 'L-000002' });
    } finally {
      rmSync(folder, { recursive: true });
    }
  });

  it('stores what is held back only once its sender has hung up, or has waited for as long as it would', async () => {
    const { url, ledger } = await start();
    const impose = (clientWaitsMs: number) => {
      const act = { kind: 'store-late', ms: 1, clientWaitsMs };
      return call(url, '/misbehaviour', {
        method: 'PUT',
        body: JSON.stringify({ act, every: 1 }),
      });
    };
    await impose(600_000);
    await expect(call(url, PATH, { body: entry('d-1'), deadlineMs: 300 })).rejects.toThrow();
    await until(() => ledger.books.messages.length === 1);
    await impose(1);
    expect((await call(url, PATH, { body: entry('d-2') })).status).toBe(201);
    expect(ledger.books.messages.map((m) => m.reference)).toEqual(['d-1', 'd-2']);
  });

  it.each([
    { kind: 'reject', status: 400, words: 'not known here yet' },
    { kind: 'store-late', ms: 1 },
  ] as const)('does to messages only what $kind means, and counts only those', async (act) => {
    const { url, misdeeds } = await start();
    await call(url, '/misbehaviour', { method: 'PUT', body: JSON.stringify({ act, every: 1 }) });
    expect((await call(url, `${PATH}?reference=d-1`)).status).toBe(200);
    expect(misdeeds.get(act.kind)).toBeUndefined();
    const { status } = await call(url, PATH, { body: entry('d-1') });
    expect(status).toBe(act.kind === 'reject' ? 400 : 201);
    expect(misdeeds.get(act.kind)).toBe(1);
  });

  it.each([
    ['store-then-reset', { kind: 'store-then-reset' }, 1],
    ['store-then-half', { kind: 'store-then-half' }, 1],
    ['store-then-drip', { kind: 'store-then-drip', everyMs: 200 }, 1],
    ['hang', { kind: 'hang' }, 0],
  ] as const)('gives no whole answer while %s is imposed', async (_name, act, stored) => {
    const { url, ledger } = await start();
    const impose = (body: unknown) =>
      call(url, '/misbehaviour', { method: 'PUT', body: JSON.stringify(body) });
    await impose({ act, every: 1 });
    await expect(call(url, PATH, { body: entry('d-1'), deadlineMs: 400 })).rejects.toThrow();
    expect(ledger.books.messages).toHaveLength(stored);
    await impose(null);
    expect((await call(url, PATH, { body: entry('d-2') })).status).toBe(201);
  });

  it('stores late what was held back on the way, whoever still waits', async () => {
    const { url, ledger } = await start();
    const body = JSON.stringify({ act: { kind: 'store-late', ms: 400 }, every: 1 });
    await call(url, '/misbehaviour', { method: 'PUT', body });
    await expect(call(url, PATH, { body: entry('d-1'), deadlineMs: 100 })).rejects.toThrow();
    expect(ledger.books.messages).toHaveLength(0);
    await until(() => ledger.books.messages.length === 1);
  });

  it('stores nothing behind an error document with status 200, and says how often', async () => {
    const { url, ledger } = await start();
    const act = { kind: 'error-document' };
    const body = JSON.stringify({ act, every: 2 });
    await call(url, '/misbehaviour', { method: 'PUT', body });
    const answers = [];
    for (const n of [1, 2, 3, 4]) answers.push(await call(url, PATH, { body: entry(`d-${n}`) }));
    expect(answers.map((a) => a.status)).toEqual([201, 200, 201, 200]);
    expect(ledger.books.messages).toHaveLength(2);
    expect(JSON.parse((await call(url, '/misdeeds')).text)).toEqual({ 'error-document': 2 });
  });
});
