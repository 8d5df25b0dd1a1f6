import { describe, expect, it } from 'vitest';
import { BREAKER_FAILURES } from '../../src/delivery/breaker.js';
import { blockingDeliveries, deliveryCounts } from '../../src/delivery/delivery-report.store.js';
import { setPause } from '../../src/delivery/destination-control.store.js';
import { destinationsHolding } from '../../src/delivery/outbox.store.js';
import { Bench, type BenchOptions, PERMIT, SITE, TIMING } from './northquay-bench.js';
import { Sink, type SinkOptions } from './sink.js';

async function bench(
  options: Partial<BenchOptions> = {},
  sinkOptions: SinkOptions = {},
): Promise<{ bench: Bench; sink: Sink }> {
  const sink = await Sink.start({ honoursKey: options.honoursKey ?? false, ...sinkOptions });
  const made = await Bench.open({ baseUrl: sink.url, ...options });
  await made.announce();
  return { bench: made, sink };
}

describe('delivery of a result', () => {
  it('builds, sends once and is confirmed by read-back', async () => {
    const { bench: b, sink } = await bench();
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({
      state: 'confirmed',
      attempts: 1,
      destination_reference: 'L-000001',
      fault: null,
      claimed_by: null,
    });
    expect(sink.entries.map((e) => e.reference)).toEqual([id]);
    expect(sink.seen[0]).toMatchObject({ key: `"${id}.1"`, authorization: 'Bearer first-secret' });
    expect(await b.history(id)).toEqual(['send accepted', 'ask one']);
  });

  it('writes a trail entry for every change and tells whom it concerns', async () => {
    const { bench: b } = await bench();
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    const trail = await b.database.db
      .selectFrom('audit_entry')
      .select('action')
      .where('subject_id', '=', id)
      .execute();
    expect(trail.map((t) => t.action)).toEqual(['delivery.accept', 'delivery.read-back-confirm']);
    expect(b.changed).toEqual(['R-1', 'R-1']);
    const receipt = await b.database.db.selectFrom('receipt').selectAll().executeTakeFirstOrThrow();
    expect(receipt.evaluation_due).toBe(1);
    expect(receipt.facts_version).toBeGreaterThan(1);
  });

  it('stays accepted where the destination cannot be asked', async () => {
    const { bench: b } = await bench({ askable: false });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'accepted', next_ask_at: null });
  });

  it('sends many side by side, each once', async () => {
    const { bench: b, sink } = await bench();
    const ids: string[] = [];
    for (let i = 0; i < 60; i += 1) ids.push(await b.enqueue({ subjectId: `r${i}` }));
    await b.settle(80);
    expect(sink.entries.map((e) => e.reference).sort()).toEqual([...ids].sort());
    expect(await deliveryCounts(b.database.db, SITE)).toEqual([
      { destination: 'lims', message: 'result', state: 'confirmed', count: 60 },
    ]);
  });

  it('does not let one slow answer hold the others', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('hang');
    for (let i = 0; i < 20; i += 1) await b.enqueue({ subjectId: `r${i}` });
    await b.service.workOnce('lims');
    expect(sink.entries).toHaveLength(19);
  });
});

describe('a destination that commits and never answers', () => {
  it('holds one where it honours the key: the same key goes out again', async () => {
    const { bench: b, sink } = await bench({ honoursKey: true, askable: false });
    sink.onSend('store-then-hang');
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect((await b.row(id)).state).toBe('accepted');
    expect(sink.seen.map((r) => r.key)).toEqual([`"${id}.1"`, `"${id}.1"`]);
    expect(sink.entries).toHaveLength(1);
  });

  it('is asked on the second doubt, so that one that never answers is confirmed too', async () => {
    const { bench: b, sink } = await bench({ honoursKey: true });
    sink.onSend(...Array.from({ length: 20 }, () => 'store-then-hang' as const));
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect((await b.row(id)).state).toBe('confirmed');
    expect(sink.sends()).toBe(2);
    expect(sink.entries).toHaveLength(1);
  });

  it('holds one where it can only be asked: it is asked, never sent again', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('store-then-hang');
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect((await b.row(id)).state).toBe('confirmed');
    expect(await b.history(id)).toEqual(['send uncertain', 'ask one']);
    expect(sink.entries).toHaveLength(1);
  });

  it('parks the doubt for a person where neither holds', async () => {
    const { bench: b, sink } = await bench({ askable: false });
    sink.onSend('store-then-reset');
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'cannot-ask' });
    expect(sink.sends()).toBe(1);
  });

  it('doubts a 2xx that cannot be read', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('garbled');
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(await b.history(id)).toEqual(['send uncertain', 'ask one']);
    expect(sink.entries).toHaveLength(1);
  });
});

describe('a destination that lost what was sent', () => {
  it('is sent it again under the same key after two absents past the settling time', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('reset');
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect((await b.row(id)).state).toBe('confirmed');
    const history = await b.history(id);
    const resent = history.indexOf('send accepted');
    expect(history.slice(1, resent).every((h) => h === 'ask absent')).toBe(true);
    const attempts = await b.attempts(id);
    const counted = attempts.filter((a) => a.kind === 'ask' && a.outcome === 'absent').slice(-2);
    const settledAt = (attempts[0]?.started_at ?? 0) + 750_000;
    expect(counted.every((a) => (a.finished_at ?? 0) >= settledAt)).toBe(true);
    expect(sink.entries).toHaveLength(1);
  });

  it('is not believed while it cannot be asked', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('reset');
    sink.onAsk(...Array.from({ length: 200 }, () => ({ status: 503 })));
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle(30);
    expect((await b.row(id)).state).toBe('uncertain');
    expect(sink.sends()).toBe(1);
  });
});

describe('a 404 to a question', () => {
  // What stands in front of a destination answers so while nothing stands behind it.
  const NOBODY_BEHIND = { status: 404, words: '<html>no such service</html>' };

  it('is no absence: what is stored is not sent a second time', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('store-then-hang');
    sink.onAsk(...Array.from({ length: TIMING.absentAsks + 2 }, () => NOBODY_BEHIND));
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(sink.entries.map((e) => e.reference)).toEqual([id]);
    expect(sink.sends()).toBe(1);
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', fault: null });
  });

  it('takes nothing from what was accepted', async () => {
    const { bench: b, sink } = await bench();
    sink.onAsk(...Array.from({ length: 100 }, () => NOBODY_BEHIND));
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle(8);
    const row = await b.row(id);
    expect(row).toMatchObject({ state: 'accepted', fault: null });
    expect(row.reason).toContain('status 404');
  });

  it('retires no fenced conforms that may be there', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('store-then-hang', ...Array.from({ length: 100 }, () => ({ status: 503 })));
    sink.onAsk(...Array.from({ length: 100 }, () => NOBODY_BEHIND));
    const conforms = await b.state(1, 'conforms');
    await b.service.buildDue('lims');
    await b.service.workOnce('lims');
    await b.stop(2);
    await b.settle(20);
    expect(sink.entries.map((e) => e.reference)).toEqual([conforms]);
    expect(
      (await b.history(conforms)).filter((h) => h === 'ask unavailable').length,
    ).toBeGreaterThan(TIMING.absentAsks);
    expect((await b.row(conforms)).state).toBe('uncertain');
  });

  it('is one where the mapping declares that the destination says "none" so', async () => {
    const { bench: b, sink } = await bench();
    const { result } = b.mapping.document.messages;
    if (!result?.readBack) throw new Error('a result is read back');
    Object.assign(result, { readBack: { ...result.readBack, absentStatus: 404 } });
    sink.onSend('reset');
    sink.onAsk(...Array.from({ length: TIMING.absentAsks + 1 }, () => ({ status: 404 })));
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(sink.entries.map((e) => e.reference)).toEqual([id]);
    expect((await b.row(id)).state).toBe('confirmed');
  });
});

describe('refusals', () => {
  it('waits for Retry-After and then delivers', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend({ status: 503, retryAfter: '7' });
    const id = await b.enqueue({ subjectId: 'a' });
    const start = b.clock.now();
    const { nextDueAt } = await b.service.workOnce('lims');
    expect(nextDueAt).toBe(start + 7_000_000);
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', attempts: 2 });
  });

  it('rejects with the destination’s words and holds what comes after it', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend({ status: 400, words: 'container unknown' });
    const id = await b.enqueue({ subjectId: 'a', orderingKey: 'k' });
    const behind = await b.enqueue({ subjectId: 'b', orderingKey: 'k' });
    await b.settle();
    const free = await b.enqueue({ subjectId: 'c' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({
      state: 'rejected',
      fault: 'rejected',
      reason: 'status 400: container unknown',
    });
    expect((await b.row(behind)).state).toBe('due');
    expect((await b.row(free)).state).toBe('confirmed');
    expect(await blockingDeliveries(b.database.db, SITE)).toMatchObject([{ id, behind: 1 }]);
  });

  it('tries once more with new credentials after a 401', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend({ status: 401 });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.service.workOnce('lims');
    expect(await b.row(id)).toMatchObject({ state: 'due', fault: 'credentials' });
    b.secret = 'second-secret';
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', fault: null });
    const sends = sink.seen.filter((r) => r.method === 'POST');
    expect(sends.map((r) => r.authorization)).toEqual([
      'Bearer first-secret',
      'Bearer second-secret',
    ]);
  });

  it('trusts no key whose first send lies ahead of a clock that was set back since', async () => {
    const { bench: b, sink } = await bench({
      honoursKey: true,
      keyLifetimeMs: 10_000,
      askable: false,
    });
    sink.onSend('store-then-reset');
    const id = await b.enqueue({ subjectId: 'a' });
    await b.service.workOnce('lims');
    expect((await b.row(id)).state).toBe('uncertain');
    // The destination has forgotten the key by now, whatever the clock says.
    b.clock.advance(20_000 - 3_600_000);
    await b.service.recover(b.clock.now());
    await b.settle();
    expect(sink.seen.filter((r) => r.method === 'POST')).toHaveLength(1);
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'cannot-ask' });
  });

  it('still counts as held what was stored without an answer and refused when it was sent again', async () => {
    const { bench: b, sink } = await bench({ honoursKey: true, askable: false });
    sink.onSend('store-then-reset', { status: 403, words: 'gate closed (simulated)' });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(sink.entries).toHaveLength(1);
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'rejected' });
    // So that it is withdrawn there when it no longer stands.
    const of = { id: 'a', revision: 1 };
    expect(await destinationsHolding(b.database.db, SITE, of)).toEqual(['lims']);
  });

  it('keeps the words of a refusal without the secret that they echo', async () => {
    const { bench: b, sink } = await bench();
    // The reason is cut after 500 characters, which must not leave the beginning of a secret.
    sink.onSend({ status: 400, words: `${'.'.repeat(485)} Bearer first-secret` });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    const { reason, state } = await b.row(id);
    expect(state).toBe('rejected');
    expect(reason).toContain('Bearer [secret]'.slice(0, 12));
    expect(reason).not.toContain('firs');
  });

  it('judges what was said: a secret that also stands in the message is no difference', async () => {
    const { bench: b } = await bench();
    const id = await b.enqueue({ subjectId: 'a' });
    b.secret = id;
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', fault: null });
    const attempts = await b.database.db.selectFrom('attempt').select('answer').execute();
    expect(attempts).toHaveLength(2);
    for (const { answer } of attempts) {
      expect(answer).toContain('[secret]');
      expect(answer).not.toContain(id);
    }
  });

  it('parks after the second 401 in a row', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend({ status: 401 }, { status: 401 });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'credentials', attempts: 2 });
  });

  it('parks on a 422 for its own key and asks on a 409', async () => {
    const { bench: b, sink } = await bench({ honoursKey: true });
    sink.onSend({ status: 422, words: 'key reused' });
    const conflict = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(await b.row(conflict)).toMatchObject({ state: 'parked', fault: 'key-conflict' });
    sink.onSend({ status: 409 });
    const busy = await b.enqueue({ subjectId: 'b' });
    await b.settle();
    expect((await b.history(busy)).slice(0, 2)).toEqual(['send key-busy', 'ask absent']);
    expect((await b.row(busy)).state).toBe('confirmed');
  });

  it('parks when its attempts are used up', async () => {
    const { bench: b, sink } = await bench({ timing: { attemptsMax: 3 } });
    sink.onSend(...Array.from({ length: 3 }, () => ({ status: 503 })));
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'exhausted', attempts: 3 });
  });
});

describe('what the read-back finds', () => {
  it('names a double that happened, and confirms', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend('store-twice');
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', fault: 'duplicate' });
  });

  it('names a difference with its field, and never sends again', async () => {
    const { bench: b, sink } = await bench({}, { keeps: (c) => ({ ...c, score: '0.9800' }) });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    const row = await b.row(id);
    expect(row).toMatchObject({ state: 'accepted', fault: 'differs', next_ask_at: null });
    expect(row.reason).toContain('/content/score');
    expect(sink.sends()).toBe(1);
  });

  it('accepts the same number written otherwise', async () => {
    const { bench: b } = await bench({}, { keeps: (c) => ({ ...c, score: 0.97 }) });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect((await b.row(id)).state).toBe('confirmed');
  });

  it('confirms only what is applied, and names what is not in time', async () => {
    const { bench: b, sink } = await bench({}, { applies: () => false });
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle(8);
    expect(await b.row(id)).toMatchObject({ state: 'accepted', fault: 'not-effective' });
    for (const entry of sink.entries) entry.applied = true;
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'confirmed', fault: null });
  });

  it('names what was accepted and is not there, without sending it again', async () => {
    const { bench: b, sink } = await bench();
    const id = await b.enqueue({ subjectId: 'a' });
    await b.service.workOnce('lims');
    sink.entries.length = 0;
    await b.settle(6);
    expect(await b.row(id)).toMatchObject({ state: 'accepted', fault: 'absent' });
    expect(sink.sends()).toBe(1);
  });
});

describe('what may leave when', () => {
  it('sends a contrary result before waiting passes', async () => {
    const { bench: b, sink } = await bench({ timing: { inFlightMax: 1 } });
    await b.enqueue({ subjectId: 'pass-1' });
    await b.enqueue({ subjectId: 'pass-2' });
    const fail = await b.enqueue({ subjectId: 'fail', isContrary: true });
    await b.service.workOnce('lims');
    expect(sink.entries[0]?.reference).toBe(fail);
  });

  it('keeps the order of one key, a withdrawal behind its result', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend({ status: 503 });
    const result = await b.enqueue({ subjectId: 'a', orderingKey: 'result:a' });
    const withdrawal = await b.enqueue({
      subjectId: 'w',
      subjectKind: 'withdrawal',
      message: 'withdrawal',
      orderingKey: 'result:a',
      isContrary: true,
    });
    await b.settle();
    expect(sink.entries.map((e) => e.reference)).toEqual([result, withdrawal]);
  });

  it('holds a conforms until its receipt’s results are there, and no other statement', async () => {
    const { bench: b, sink } = await bench();
    sink.onSend({ status: 400 });
    const result = await b.enqueue({ subjectId: 'a' });
    await b.service.workOnce('lims');
    const conforms = await b.state(1, 'conforms');
    await b.settle();
    expect((await b.row(conforms)).state).toBe('due');
    const incomplete = await b.state(2, 'incomplete');
    await b.settle();
    expect((await b.row(incomplete)).state).toBe('confirmed');
    expect((await b.row(result)).state).toBe('rejected');
  });

  it('holds a conforms while a fact of its receipt waits to be evaluated', async () => {
    const { bench: b } = await bench();
    const conforms = await b.state(1, 'conforms');
    const mark = (due: 0 | 1) =>
      b.database.db.updateTable('receipt').set({ evaluation_due: due }).execute();
    await mark(1);
    await b.service.workOnce('lims');
    expect((await b.row(conforms)).state).toBe('due');
    await mark(0);
    await b.service.workOnce('lims');
    expect((await b.row(conforms)).state).toBe('accepted');
  });

  it('lets results pass any number of conforms that a failing stop holds', async () => {
    const { bench: b, sink } = await bench();
    for (let i = 0; i < 70; i += 1) {
      await b.announce(`C-${i}`);
      await b.state(1, 'conforms', `C-${i}`);
    }
    await b.announce('R-stopped');
    await b.stop(1, 'R-stopped');
    sink.onSend({ status: 400 });
    await b.service.workStops('lims');
    b.clock.advance(1);
    const result = await b.enqueue({ subjectId: 'r1', receiptId: 'R-other' });
    while ((await b.service.buildDue('lims')) > 0);
    await b.service.workOnce('lims');
    expect((await b.row(result)).state).toBe('accepted');
    expect(sink.entries.map((e) => e.reference)).toEqual([result]);
  });

  it('opens the breaker after failures in a row, then sends one probe', async () => {
    const { bench: b, sink } = await bench();
    const ids: string[] = [];
    for (let i = 0; i < 10; i += 1) ids.push(await b.enqueue({ subjectId: `r${i}` }));
    sink.onSend(...Array.from({ length: 12 }, () => ({ status: 503 })));
    await b.service.workOnce('lims');
    expect(sink.sends()).toBeGreaterThanOrEqual(BREAKER_FAILURES);
    const failed = sink.sends();
    await b.service.workOnce('lims');
    expect(sink.sends()).toBe(failed);
    b.clock.advance(3_000);
    const before = sink.sends();
    await b.service.workOnce('lims');
    expect(sink.sends()).toBe(before + 1);
    await b.settle();
    for (const id of ids) expect((await b.row(id)).state).toBe('confirmed');
  });

  it('sends no faster than the rate allows', async () => {
    const { bench: b, sink } = await bench({ timing: { ratePerSecond: 2 } });
    for (let i = 0; i < 5; i += 1) await b.enqueue({ subjectId: `r${i}` });
    const { nextDueAt } = await b.service.workOnce('lims');
    expect(sink.sends()).toBe(2);
    expect(nextDueAt).toBeLessThanOrEqual(b.clock.now() + 500_000);
    b.clock.advance(500);
    await b.service.workOnce('lims');
    expect(sink.sends()).toBe(3);
  });

  it('sends nothing while paused', async () => {
    const { bench: b, sink } = await bench();
    await b.enqueue({ subjectId: 'a' });
    await b.service.workOnce('lims');
    await b.database.transact((trx) =>
      setPause(trx, { site: SITE, name: 'lims' }, { paused: 1, reason: 'maintenance', kept: null }),
    );
    await b.enqueue({ subjectId: 'b' });
    await b.service.workOnce('lims');
    expect(sink.sends()).toBe(1);
  });
});

describe('building', () => {
  it('parks what the mapping lets permit release without being a conforms (rule 23)', async () => {
    const { bench: b, sink } = await bench();
    b.mapping.usage = () => PERMIT;
    const id = await b.enqueue({ subjectId: 'a' });
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'contract', attempts: 0 });
    expect(sink.seen).toEqual([]);
  });

  it('looks once more before every send, whatever built the payload (rule 23)', async () => {
    const { bench: b, sink } = await bench();
    const id = await b.enqueue({ subjectId: 'a' });
    expect(await b.service.buildDue('lims')).toBe(1);
    // A payload as it must never be stored, as if an earlier version had built it.
    const row = await b.row(id);
    const bad = Buffer.from(JSON.stringify({ reference: id, usage: PERMIT }));
    await b.database.db
      .insertInto('payload_bytes')
      .values({ sha256: 'f'.repeat(64), size: bad.length, bytes: bad })
      .execute();
    await b.database.db
      .updateTable('delivery')
      .set({ payload_sha256: 'f'.repeat(64) })
      .where('id', '=', row.id)
      .execute();
    await b.settle();
    expect(await b.row(id)).toMatchObject({ state: 'parked', fault: 'contract' });
    expect(await b.history(id)).toEqual(['send withheld']);
    expect(sink.seen).toEqual([]);
  });

  it('builds again later after a defect, and says so', async () => {
    const { bench: b } = await bench();
    b.mapping.failure = new Error('the pool is gone');
    const id = await b.enqueue({ subjectId: 'a' });
    await expect(b.service.workOnce('lims')).rejects.toThrow('the pool is gone');
    expect((await b.row(id)).state).toBe('due');
    b.mapping.failure = null;
    b.clock.advance(3_000);
    await b.settle();
    expect((await b.row(id)).state).toBe('confirmed');
  });
});
