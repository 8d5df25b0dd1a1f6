import { afterEach, describe, expect, it } from 'vitest';
import { addMs, formatInstant } from '../../src/formats/instant.js';
import type { StoredMessage } from '../../src/simulation/books.js';
import { erpUsage, found, toldErp } from '../stories/observe.js';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld, type WorldOptions } from '../support/gateway-world.js';

let world: GatewayWorld;
let dock: Dock;

async function openWorld(options: WorldOptions = {}): Promise<void> {
  world = await GatewayWorld.open({
    ...options,
    edits: {
      // Small pages, so that every sweep turns some.
      'lims.mapping.yaml': (text) => text.replace('pageSize: 100', 'pageSize: 3'),
      'erp.mapping.yaml': (text) => text.replace('pageSize: 100', 'pageSize: 3'),
      ...options.edits,
    },
  });
  dock = new Dock(world);
}

afterEach(async () => {
  await world.close();
});

/** A message like one that was sent, under a reference that no delivery has. */
function ofNobody([source]: readonly StoredMessage[]): StoredMessage {
  if (source === undefined) throw new Error('nothing was sent');
  return {
    ...source,
    number: 'L-900001',
    reference: 'nobody',
    content: source.content.replace(source.reference, 'nobody'),
  };
}

interface Swept {
  readonly id: string;
  readonly state: string;
  readonly pages: number;
  readonly items: number;
  readonly counts: Readonly<Record<string, number>>;
  readonly detail: string | null;
  readonly findings: readonly {
    readonly class: string;
    readonly subject: string;
    readonly receiptId: string | null;
    readonly detail: string;
  }[];
}

/** Sweeps everything until now, once all of it is old enough to be visible. */
async function sweep(
  destination: string,
  since = addMs(world.clock.now(), -600_000),
): Promise<Swept> {
  const asked = world.clock.now();
  const path = `/api/v1/destinations/${destination}/sweeps`;
  const request = () =>
    world.http({
      path,
      key: world.controlToken,
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({
        from: formatInstant(since),
        to: formatInstant(asked),
      }),
    });
  await world.until(
    'what was sent is visible by now',
    () => world.clock.now() > addMs(asked, 1_650),
  );
  const put = await request();
  if (put.status !== 202) throw new Error(`a sweep was answered ${put.text}`);
  let swept: Swept | null = null;
  await world.until(
    () => `the sweep of ${destination} ends: ${JSON.stringify(swept)}`,
    async () => {
      swept = (await world.http({ path: `${path}/${String(put.json['id'])}` }))
        .json as unknown as Swept;
      return swept.state === 'done' || swept.state === 'failed';
    },
  );
  if (swept === null) throw new Error('no sweep');
  return swept;
}

const classes = (swept: Swept) => swept.findings.map((f) => f.class);

describe('rule 26: a sweep of what a destination holds', () => {
  it('compares every message of the period and finds nothing where all is well', async () => {
    await openWorld();
    await dock.conform(receiptOf(1));
    const lims = await sweep('lims');
    expect(lims).toMatchObject({ state: 'done', items: 2, findings: [] });
    const erp = await sweep('erp');
    expect(erp).toMatchObject({ state: 'done', findings: [] });
    expect(erp.items).toBe(world.erp.ledger.books.messages.length);
    expect(erp.pages).toBeGreaterThan(1);
    expect(erp.counts).toMatchObject({ equal: erp.items, differs: 0, unsent: 0, unknown: 0 });
  });

  it('finds confirmed results that are gone, suspends what rests on them, and closes when they are back', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.conform(receipt);
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
    const { messages } = world.lims.ledger.books;
    const gone = messages.splice(0, 1);
    const swept = await sweep('lims');
    expect(classes(swept)).toEqual(['absent']);
    expect(swept.findings[0]?.receiptId).toBe(receipt.id);
    expect(swept.counts).toMatchObject({ absent: 1 });
    const delivery = await world.db
      .selectFrom('delivery')
      .select('state')
      .where('id', '=', gone[0]?.reference ?? '')
      .executeTakeFirstOrThrow();
    expect(delivery.state).toBe('confirmed');
    const statement = await world.says(receipt.id, 'incomplete');
    expect(found(statement, 'no-stop-in-force').found).toContain('suspend');
    await world.until('ERP got the stop', () => toldErp(world, receipt.id).includes('BLOCK-DOUBT'));
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');

    messages.unshift(...gone);
    expect((await sweep('lims')).findings).toEqual([]);
    const closed = await world.db
      .selectFrom('discrepancy')
      .selectAll()
      .where('class', '=', 'absent')
      .executeTakeFirstOrThrow();
    expect(closed.closing_evidence).toContain('it is there again');
    // A stop latches: what is shown again lifts none.
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');
  });

  it('finds a double, another content and an unknown message, each by its receipt, though all was acknowledged', async () => {
    await openWorld();
    const [one, two, three] = [receiptOf(1), receiptOf(2), receiptOf(3)];
    for (const receipt of [one, two, three]) await dock.conform(receipt);
    const { messages } = world.lims.ledger.books;
    const ofReceipt = (id: string) => {
      const index = messages.findIndex((m) => m.content.includes(`"receipt":"${id}"`));
      const found = messages[index];
      if (found === undefined) throw new Error(`nothing about ${id}`);
      return { index, found };
    };
    const doubled = ofReceipt(one.id).found;
    messages.push({ ...doubled, number: 'L-900001' });
    const other = ofReceipt(two.id);
    const altered = other.found.content.replace('"decision":"PASSED"', '"decision":"FAILED"');
    expect(altered).not.toBe(other.found.content);
    messages[other.index] = { ...other.found, content: altered };
    const source = ofReceipt(three.id).found;
    messages.push({
      ...source,
      number: 'L-900002',
      reference: 'nobody',
      content: source.content.replace(source.reference, 'nobody'),
    });
    const swept = await sweep('lims');
    expect(swept.findings.map((f) => `${f.class} ${f.receiptId ?? ''}`).sort()).toEqual(
      [
        `differs ${two.id}`,
        `duplicate-at-destination ${one.id}`,
        `unknown-at-source ${three.id}`,
      ].sort(),
    );
    for (const receipt of [one, two, three]) await world.says(receipt.id, 'incomplete');

    messages.splice(-2, 2);
    messages[other.index] = other.found;
    expect((await sweep('lims')).findings).toEqual([]);
  });

  it('finds a message that nothing accounts for again when it is listed again', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.conform(receipt);
    const { messages } = world.lims.ledger.books;
    const unknown = ofNobody(messages);
    messages.push(unknown);
    expect(classes(await sweep('lims'))).toEqual(['unknown-at-source']);
    messages.pop();
    expect((await sweep('lims')).findings).toEqual([]);
    messages.push(unknown);
    expect(classes(await sweep('lims'))).toEqual(['unknown-at-source']);
  });

  it('takes a page that shows no list for no page: nothing is gone by it', async () => {
    const act = { kind: 'error-document' } as const;
    await openWorld({
      lims: {
        byBody: [],
        byOrdinal: [
          { operation: 'list', ordinals: [2], act },
          { operation: 'ask', ordinals: [3, 4], act },
        ],
      },
    });
    await dock.conform(receiptOf(1));
    const { messages } = world.lims.ledger.books;
    messages.push(ofNobody(messages));
    expect(classes(await sweep('lims'))).toEqual(['unknown-at-source']);
    const swept = await sweep('lims');
    expect(world.lims.misdeeds.get('error-document')).toBeGreaterThan(0);
    expect(classes(swept)).toEqual(['unknown-at-source']);
    expect(swept.counts).toMatchObject({ equal: 2 });
  });

  it('closes a double by a question and not by a list that is too short to show it', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.conform(receipt);
    const { messages } = world.lims.ledger.books;
    const source = messages[0];
    if (source === undefined) throw new Error('nothing was sent');
    const longAgo = addMs(world.clock.now(), -7_200_000);
    messages.push({ ...source, number: 'L-900001', arrivedAt: formatInstant(longAgo) });
    const doubles = ['duplicate-at-destination'];
    expect(classes(await sweep('lims', addMs(longAgo, -600_000)))).toEqual(doubles);
    expect(classes(await sweep('lims'))).toEqual(doubles);
    messages.pop();
    expect(classes(await sweep('lims'))).toEqual([]);
  });

  it('goes on where a page failed, and counts no message twice', async () => {
    const act = { kind: 'unavailable', retryAfterSeconds: 1 } as const;
    await openWorld({
      erp: { byBody: [], byOrdinal: [{ operation: 'list', ordinals: [2], act }] },
    });
    await dock.conform(receiptOf(1));
    const erp = await sweep('erp');
    expect(world.erp.misdeeds.get('unavailable')).toBe(1);
    expect(erp).toMatchObject({ state: 'done', detail: null, findings: [] });
    expect(erp.items).toBe(world.erp.ledger.books.messages.length);
    expect(erp.counts).toMatchObject({ equal: erp.items, doubles: 0 });
    const notes = await world.db.selectFrom('sweep_item').selectAll().execute();
    expect(notes).toEqual([]);
  });

  it('is refused without the right, for a period without an end, and for one that is too new', async () => {
    await openWorld();
    const ask = async (body: unknown, key = world.controlToken, name = 'lims') => {
      const { status } = await world.http({
        path: `/api/v1/destinations/${name}/sweeps`,
        key,
        headers: { 'content-type': 'application/json' },
        body: JSON.stringify(body),
      });
      return status;
    };
    const now = formatInstant(world.clock.now());
    const period = { from: '2026-01-01T00:00:00Z', to: '2026-01-02T00:00:00Z' };
    expect(await ask(period, world.key)).toBe(403);
    expect(await ask({ from: period.from })).toBe(400);
    expect(await ask({ from: period.to, to: period.from })).toBe(400);
    expect(await ask({ from: now, to: '2999-01-01T00:00:00Z' })).toBe(400);
    expect(await ask(period, world.controlToken, 'nowhere')).toBe(404);
  });
});

describe('rule 20: a difference that many records share', () => {
  it('is one event of the destination and no stop for any of them', async () => {
    await openWorld();
    const receipts = [1, 2, 3].map((n) => receiptOf(n));
    for (const receipt of receipts) await dock.conform(receipt);
    const { messages } = world.lims.ledger.books;
    for (const [index, message] of messages.entries()) {
      const content = message.content.replace(/"operator":"[^"]*"/, '"operator":"changed"');
      messages[index] = { ...message, content };
    }
    const swept = await sweep('lims');
    expect(swept.counts).toMatchObject({ systematic: 1, differs: messages.length });
    expect(swept.findings).toHaveLength(1);
    expect(swept.findings[0]).toMatchObject({ class: 'differs', receiptId: null });
    expect(swept.findings[0]?.subject).toBe('field:lims:result:/content/operator');
    const stops = await world.db.selectFrom('stop').selectAll().execute();
    expect(stops).toEqual([]);
  });

  it('hides no other difference: what one record says besides suspends its receipt', async () => {
    await openWorld();
    const receipts = [1, 2, 3].map((n) => receiptOf(n));
    for (const receipt of receipts) await dock.conform(receipt);
    const { messages } = world.lims.ledger.books;
    for (const [index, message] of messages.entries()) {
      const content = message.content.replace(/"environment":"[^"]*"/, '"environment":"OTHER"');
      const decision = index === 0 ? content.replace('"PASSED"', '"FAILED"') : content;
      messages[index] = { ...message, content: decision };
    }
    const swept = await sweep('lims');
    const subjects = swept.findings.map((f) => f.subject);
    expect(subjects).toEqual([
      'field:lims:result:/content/environment',
      `held:lims:${String(messages[0]?.reference)}`,
    ]);
    const failed = receipts.find((r) => messages[0]?.content.includes(`"receipt":"${r.id}"`));
    await world.says(String(failed?.id), 'incomplete');
    const stops = await world.db.selectFrom('stop').select('receipt_id').execute();
    expect(new Set(stops.map((stop) => stop.receipt_id))).toEqual(new Set([failed?.id]));
  });

  it('is not ended by a sweep that sees none of those behind it', async () => {
    await openWorld();
    const receipts = [1, 2, 3].map((n) => receiptOf(n));
    for (const receipt of receipts) await dock.conform(receipt);
    const { messages } = world.lims.ledger.books;
    for (const [index, message] of messages.entries()) {
      const content = message.content.replace('"PASSED"', '"FAILED"');
      messages[index] = { ...message, content };
    }
    const subjects = ['field:lims:result:/content/decision'];
    expect((await sweep('lims')).findings.map((f) => f.subject)).toEqual(subjects);
    // All of it got there before the next period, by both clocks, and one result of that is as it should be.
    const long = addMs(world.clock.now(), -7_200_000);
    for (const [index, message] of messages.entries()) {
      messages[index] = { ...message, arrivedAt: formatInstant(long) };
    }
    const since = world.clock.now();
    const more = receiptOf(4);
    await dock.announce(more);
    await dock.measureAll(more);
    await world.quiet();
    const behind = messages.filter((m) => m.content.includes('"FAILED"'));
    const swept = await sweep('lims', since);
    expect(swept.counts['equal']).toBeGreaterThan(0);
    expect(swept.findings.map((f) => f.subject)).toEqual(subjects);
    for (const message of behind) {
      Object.assign(message, { content: message.content.replace('"FAILED"', '"PASSED"') });
    }
    const last = await sweep('lims', since);
    expect(last.counts['asked']).toBe(behind.length);
    expect(last.findings).toEqual([]);
    await world.says(more.id, 'conforms');
  });
});

describe('rule 21: a stop that ERP showed and does not apply any more', () => {
  it('is stated anew, and its finding ends once ERP shows the new one', async () => {
    await openWorld();
    const receipt = receiptOf(1);
    await dock.conform(receipt);
    await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
    const gone = world.lims.ledger.books.messages.splice(0, 1);
    await sweep('lims');
    await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
    await world.quiet();
    world.lims.ledger.books.messages.unshift(...gone);
    await sweep('lims');
    expect((await sweep('erp')).findings).toEqual([]);
    const { messages, receipts } = world.erp.ledger.books;
    const told = () => messages.filter((m) => m.messageType === 'stop');
    const before = told();
    for (const message of before) Object.assign(message, { applied: false, appliedAt: null });
    Object.assign(receipts.get(receipt.id) ?? {}, { usage: 'released' });
    const swept = await sweep('erp');
    // Those before it were overtaken by the last one, which was shown.
    expect(swept.counts).toMatchObject({ notEffective: 1 });
    expect(swept.findings).toMatchObject([
      { class: 'stop-not-effective', subject: `held:erp:${String(before.at(-1)?.reference)}` },
    ]);
    await world.until('ERP blocked it again', () => erpUsage(world, receipt.id) === 'blocked');
    expect(told()).toHaveLength(before.length + 1);
    await world.quiet();
    expect((await sweep('erp')).findings).toEqual([]);
    // With its finding the conditions of the receipt change, which a stop in force says once more; that is all.
    await world.quiet();
    const last = told().length;
    expect((await sweep('erp')).findings).toEqual([]);
    await world.quiet();
    expect(told()).toHaveLength(last);
    expect(erpUsage(world, receipt.id)).toBe('blocked');
  });
});
