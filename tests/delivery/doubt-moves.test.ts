import { describe, expect, it } from 'vitest';
import { DeliveryActs } from '../../src/delivery/delivery-acts.service.js';
import { doubtUnsent } from '../../src/delivery/recovery-doubt.store.js';
import type { DeliveryAct, DeliveryFault } from '../../src/storage/tables.js';
import { Bench, type BenchOptions, PERMIT, SITE, siteFolder } from './northquay-bench.js';
import { Sink } from './sink.js';

/** Each of them, so that one that is added is looked at here too. */
const FAULTS: Readonly<Record<DeliveryFault, true>> = {
  mapping: true,
  contract: true,
  rejected: true,
  'key-conflict': true,
  credentials: true,
  exhausted: true,
  'cannot-ask': true,
  absent: true,
  differs: true,
  duplicate: true,
  'not-effective': true,
};

async function open(options: Partial<BenchOptions>) {
  const sink = await Sink.start({ honoursKey: options.honoursKey ?? false });
  const bench = await Bench.open({ baseUrl: sink.url, ...options });
  await bench.announce();
  return { bench, sink };
}

function withdrawal(bench: Bench, subjectId: string): Promise<string> {
  return bench.enqueue({ subjectId, subjectKind: 'withdrawal', message: 'withdrawal' });
}

/** What people may do with what stopped, in the life of the database that `epoch` names. */
function actsOn(bench: Bench, epoch = 1) {
  const acts = new DeliveryActs({
    database: bench.database,
    clock: bench.clock,
    site: siteFolder([bench.destination]),
    mappings: new Map([['lims', { digest: 'm2', messages: ['withdrawal'] }]]),
    mapping: bench.mapping,
    epoch,
    epochSince: bench.clock.now(),
    onMoved: () => undefined,
  });
  return async (id: string, act: DeliveryAct) => {
    const version = (await acts.show(id))?.delivery.version ?? '';
    const actor = { kind: 'person', name: 'person-1', source: '192.0.2.7' } as const;
    return await acts.act(id, { act, version, reason: 'looked at', actor });
  };
}

/** As the begin of a life after a restore does with what the life before may have sent. */
async function restore(bench: Bench, of: { canBeAsked: boolean; honoursKey: boolean }) {
  await bench.database.transact((trx) =>
    doubtUnsent(trx, { site: SITE, destination: 'lims', ...of }, bench.clock.now()),
  );
}

const KEPT_BLIND = { honoursKey: true, askable: false } as const;

describe('a doubt at a destination that honours the key and cannot be asked', () => {
  it('is sent again when a person says so, whatever the destination said of its key', async () => {
    const { bench, sink } = await open(KEPT_BLIND);
    sink.onSend({ status: 422, words: 'the key is taken (simulated)' });
    const id = await withdrawal(bench, 'w1');
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'parked', fault: 'key-conflict' });
    expect(await actsOn(bench)(id, 'resend')).toMatchObject({ done: 'sent-again' });
    await bench.settle();
    expect(sink.sends()).toBe(2);
    expect(await bench.row(id)).toMatchObject({ state: 'accepted', fault: null });
  });

  it('is built first when a restore put in doubt what could not be built', async () => {
    const { bench, sink } = await open(KEPT_BLIND);
    const mended = bench.mapping.usage;
    bench.mapping.usage = () => PERMIT;
    const id = await withdrawal(bench, 'w1');
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'parked', payload_sha256: null });
    await restore(bench, { canBeAsked: false, honoursKey: true });
    bench.mapping.usage = mended;
    expect(await actsOn(bench, 2)(id, 'resend')).toMatchObject({ done: 'sent-again' });
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'accepted', fault: null });
    expect(sink.entries).toHaveLength(1);
  });

  it('is sent after a restore although a person had it built anew before', async () => {
    const { bench, sink } = await open(KEPT_BLIND);
    const mended = bench.mapping.usage;
    bench.mapping.usage = () => PERMIT;
    const id = await withdrawal(bench, 'w1');
    await bench.settle();
    bench.mapping.usage = mended;
    const rebuilt = await actsOn(bench)(id, 'rebuild');
    if (rebuilt.kind !== 'done') throw new Error(JSON.stringify(rebuilt));
    await bench.service.buildDue('lims');
    expect(await bench.row(rebuilt.deliveryId)).toMatchObject({ state: 'due', fault: 'contract' });
    await restore(bench, { canBeAsked: false, honoursKey: true });
    await bench.settle();
    expect(await bench.row(rebuilt.deliveryId)).toMatchObject({ state: 'accepted', fault: null });
    expect(sink.entries).toHaveLength(1);
  });
});

describe('a destination that honours no key any more by the folder in force', () => {
  async function inDoubt(askable: boolean) {
    const { bench, sink } = await open({ honoursKey: true, askable });
    sink.onSend('store-then-hang');
    const id = await withdrawal(bench, 'w1');
    await bench.service.workOnce('lims');
    expect(await bench.row(id)).toMatchObject({ state: 'uncertain', next_ask_at: null });
    Object.assign(bench.destination, { honoursKey: false });
    await bench.restart();
    await bench.settle();
    expect(sink.sends()).toBe(1);
    return await bench.row(id);
  }

  it('is asked about what waited to be sent again under its key', async () => {
    expect(await inDoubt(true)).toMatchObject({ state: 'confirmed' });
  });

  it('leaves it to a person where it cannot be asked', async () => {
    expect(await inDoubt(false)).toMatchObject({ state: 'parked', fault: 'cannot-ask' });
  });
});

describe('whatever is uncertain', () => {
  const both = [true, false];
  it.each(both.flatMap((honoursKey) => both.map((askable) => ({ honoursKey, askable }))))(
    'is moved by somebody, whatever its fault and built or not: %o',
    async ({ honoursKey, askable }) => {
      const { bench } = await open({ honoursKey, askable, timing: { inFlightMax: 64 } });
      const ids: string[] = [];
      for (const fault of [null, ...(Object.keys(FAULTS) as DeliveryFault[])]) {
        for (const isBuilt of both) {
          for (const isAsked of isBuilt ? both : [false]) {
            const id = await withdrawal(bench, `w${ids.length}`);
            ids.push(id);
            await bench.database.db
              .updateTable('delivery')
              .set({ fault, state: isBuilt ? 'due' : 'parked' })
              .where('id', '=', id)
              .execute();
            await bench.service.buildDue('lims');
            await bench.database.db
              .updateTable('delivery')
              .set({ fault, state: 'uncertain', next_ask_at: isAsked ? bench.clock.now() : null })
              .where('id', '=', id)
              .execute();
          }
        }
      }
      expect(await bench.service.recover(bench.clock.now())).toBeGreaterThan(0);
      await bench.settle(80);
      const rows = await bench.database.db
        .selectFrom('delivery')
        .select(['state', 'fault', 'payload_sha256'])
        .execute();
      expect(rows).toHaveLength(ids.length);
      const ends = new Set(rows.map(({ state }) => state));
      if (askable) expect(ends).toEqual(new Set(['confirmed']));
      else
        expect(rows.filter(({ state }) => state !== 'accepted' && state !== 'parked')).toEqual([]);
      // A person is told of what stopped, and by which fault.
      expect(rows.filter(({ state, fault }) => state === 'parked' && fault === null)).toEqual([]);
    },
  );
});
