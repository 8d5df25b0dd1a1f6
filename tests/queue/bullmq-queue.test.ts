import { afterEach, beforeEach, expect, it } from 'vitest';
import { keyPrefix, ownerKey } from '../../src/queue/redis-keys.js';
import type { BellHandler } from '../../src/queue/work-queue.js';
import { describeWithRedis, OwnRedis } from '../support/redis.js';
import { until } from '../support/until.js';
import { INSTANCE, type OpenedQueue, openQueue, SITE } from './bullmq-process.js';

/** A look that comes within this was owed to a ring, not to the sweep every two seconds. */
const WELL_BEFORE_A_SWEEP_MS = 1_400;
/** Reconnecting takes up to two seconds, and then a sweep may be what finds the work. */
const AFTER_RETURN_MS = 10_000;
const NOTHING_DUE = { nextDueAt: null };

let redis: OwnRedis;
const opened: OpenedQueue[] = [];

beforeEach(async () => {
  redis = await OwnRedis.start();
});

afterEach(async () => {
  redis.signal('SIGCONT');
  for (const { queue } of opened.splice(0)) await queue.drain();
  await redis.end();
});

async function process(options: Parameters<typeof openQueue>[1] = {}): Promise<OpenedQueue> {
  const one = await openQueue(redis.url, options);
  opened.push(one);
  return one;
}

function counting(): { readonly handler: BellHandler; readonly looks: () => number } {
  let looks = 0;
  return {
    looks: () => looks,
    handler: async () => {
      looks += 1;
      return NOTHING_DUE;
    },
  };
}

/** Waits until the first looks are over and every worker listens. */
async function listening(bell = 'bundles', workers = 1): Promise<void> {
  await until(`${workers} listen`, async () => {
    const clients = String(await redis.client.client('LIST'));
    const name = `${keyPrefix(SITE)}:${Buffer.from(bell).toString('base64')}`;
    const own = clients.split('\n').filter((line) => line.includes(` name=${name} `));
    return own.filter((line) => line.includes(' cmd=bzpopmin ')).length >= workers;
  });
}

describeWithRedis('the BullMQ queue between processes', () => {
  it('wakes one process that works when another rings', async () => {
    const gateway = await process();
    const first = await process();
    const second = await process();
    const looks = [counting(), counting()] as const;
    first.queue.answer('bundles', looks[0].handler);
    second.queue.answer('bundles', looks[1].handler);
    await listening('bundles', 2);
    const before = looks[0].looks() + looks[1].looks();
    gateway.queue.ring('bundles');
    await until(
      'one looked',
      () => looks[0].looks() + looks[1].looks() > before,
      WELL_BEFORE_A_SWEEP_MS,
    );
    expect(gateway.queue.counts).toEqual({ rings: 1, notCarried: 0 });
  });

  it('keeps a ring meant for this process where it is answered, and hands it on where it is not', async () => {
    const gateway = await process();
    const first = await process();
    const second = await process();
    const looks = [counting(), counting()] as const;
    first.queue.answer('bundles', looks[0].handler);
    second.queue.answer('bundles', looks[1].handler);
    await listening('bundles', 2);
    const before = looks[0].looks();
    first.queue.ringHere('bundles');
    await until('it looked itself', () => looks[0].looks() > before, WELL_BEFORE_A_SWEEP_MS);
    expect(first.queue.counts.rings).toBe(0);
    const all = looks[0].looks() + looks[1].looks();
    gateway.queue.ringHere('bundles');
    await until(
      'one of them looked',
      () => looks[0].looks() + looks[1].looks() > all,
      WELL_BEFORE_A_SWEEP_MS,
    );
    expect(gateway.queue.counts).toEqual({ rings: 1, notCarried: 0 });
  });

  it('gives a ring to a process that is idle, not to one whose handler is busy', async () => {
    const gateway = await process();
    const busy = await process();
    const idle = await process();
    let isBusy = false;
    let release: () => void = () => undefined;
    const slow = new Promise<void>((resolve) => {
      release = resolve;
    });
    let mayBeBusy = false;
    busy.queue.answer('bundles', async () => {
      if (mayBeBusy) {
        isBusy = true;
        await slow;
      }
      return NOTHING_DUE;
    });
    await listening();
    mayBeBusy = true;
    gateway.queue.ring('bundles');
    await until('the first is busy', () => isBusy);
    const other = counting();
    idle.queue.answer('bundles', other.handler);
    await listening();
    for (let n = 0; n < 5; n += 1) {
      const before = other.looks();
      gateway.queue.ring('bundles');
      await until(`ring ${n} was taken`, () => other.looks() > before, WELL_BEFORE_A_SWEEP_MS);
    }
    release();
  });

  it('tells a handler that waits of a ring from another process', async () => {
    const gateway = await process();
    const worker = await process();
    let isAsleep = false;
    let heard = 0;
    worker.queue.answer('deliveries:lims', async (ringing) => {
      while (heard < 3) {
        isAsleep = true;
        await ringing.next();
        isAsleep = false;
        heard += 1;
      }
      return NOTHING_DUE;
    });
    await until('it waits', () => isAsleep);
    await listening('deliveries.lims');
    for (let n = 1; n <= 3; n += 1) {
      await until('it waits', () => isAsleep || heard >= n);
      gateway.queue.ring('deliveries:lims');
      await until(`ring ${n} was heard`, () => heard >= n, WELL_BEFORE_A_SWEEP_MS);
    }
  });

  it('takes a ring while the handler is busy for other reasons, and does not run it twice at once', async () => {
    const gateway = await process();
    const worker = await process();
    let running = 0;
    let most = 0;
    let looks = 0;
    let release: () => void = () => undefined;
    const slow = new Promise<void>((resolve) => {
      release = resolve;
    });
    // Its first look came from no ring, so its worker is free to take one.
    worker.queue.answer('bundles', async () => {
      running += 1;
      looks += 1;
      most = Math.max(most, running);
      await slow;
      running -= 1;
      return NOTHING_DUE;
    });
    await listening();
    gateway.queue.ring('bundles');
    const active = `${keyPrefix(SITE)}:bundles:active`;
    await until('the ring is taken', async () => (await redis.client.llen(active)) === 1);
    expect({ looks, running }).toEqual({ looks: 1, running: 1 });
    release();
    await until('it looked again', () => looks === 2, WELL_BEFORE_A_SWEEP_MS);
    expect(most).toBe(1);
  });

  it('keeps at most one ring of a bell while nobody works, and nothing else once it was answered', async () => {
    const gateway = await process();
    for (let n = 0; n < 200; n += 1) {
      gateway.queue.ring('bundles');
      gateway.queue.ring('stops:lims');
      await new Promise((resolve) => setImmediate(resolve));
    }
    const wait = `${keyPrefix(SITE)}:bundles:wait`;
    await until('a ring waits', async () => (await redis.client.llen(wait)) > 0);
    expect(await redis.client.llen(wait)).toBe(1);
    const worker = await process();
    worker.queue.answer('bundles', counting().handler);
    worker.queue.answer('stops:lims', counting().handler);
    const jobs = async () => {
      const keys = await redis.client.keys(`${keyPrefix(SITE)}:*`);
      return keys.filter((key) => /:(?:\d+|wait|active|completed|failed|de:.*)$/.test(key));
    };
    await until('no job is left', async () => (await jobs()).length === 0);
  });

  it('puts nothing into Redis but names of bells, and bounds its events', async () => {
    const gateway = await process();
    const worker = await process();
    const { handler, looks } = counting();
    worker.queue.answer('bundles', handler);
    await listening();
    for (let n = 0; n < 150; n += 1) {
      const before = looks();
      gateway.queue.ring('bundles');
      await until('it was answered', () => looks() > before, WELL_BEFORE_A_SWEEP_MS);
    }
    // Redis trims streams by whole nodes of 100 entries.
    expect(await redis.client.xlen(`${keyPrefix(SITE)}:bundles:events`)).toBeLessThan(400);
    const gone = await process();
    gone.queue.ring('stops:erp');
    const wait = `${keyPrefix(SITE)}:stops.erp:wait`;
    await until('a ring waits', async () => (await redis.client.llen(wait)) === 1);
    const [id] = await redis.client.lrange(wait, 0, -1);
    const job = await redis.client.hgetall(`${keyPrefix(SITE)}:stops.erp:${id}`);
    expect(job['data']).toBe('{}');
    expect(job['name']).toBe('ring');
    const all = await redis.client.keys('*');
    expect(all.filter((key) => !key.startsWith(`${keyPrefix(SITE)}:`))).toEqual([]);
  });

  it('hands over at the drain what it could not look after any more', async () => {
    const leaving = await process();
    let isBusy = false;
    let release: () => void = () => undefined;
    const slow = new Promise<void>((resolve) => {
      release = resolve;
    });
    leaving.queue.answer('bundles', async () => {
      isBusy = true;
      await slow;
      // What ends now may have made work for others.
      leaving.queue.ring('stops:lims');
      return NOTHING_DUE;
    });
    await until('it is busy', () => isBusy);
    const staying = await process();
    const { handler, looks } = counting();
    staying.queue.answer('stops:lims', handler);
    await listening('stops.lims');
    const before = looks();
    const drained = leaving.queue.drain();
    release();
    await drained;
    await until('the other one heard of it', () => looks() > before, WELL_BEFORE_A_SWEEP_MS);
  });

  it('leaves nothing open behind it', async () => {
    const worker = await process();
    worker.queue.answer('bundles', counting().handler);
    await listening();
    await worker.queue.drain();
    await until('no connection is left', async () => {
      const clients = String(await redis.client.client('LIST'));
      return !clients.includes(`name=${keyPrefix(SITE)}`);
    });
    expect(worker.log.filter((line) => line.level >= 40)).toEqual([]);
  });
});

describeWithRedis('the BullMQ queue without its Redis', () => {
  it('finds the work of a ring that a flush lost, and goes on as before', async () => {
    const gateway = await process();
    const worker = await process();
    const { handler, looks } = counting();
    worker.queue.answer('bundles', handler);
    await listening();
    await redis.client.flushall();
    const flushed = looks();
    await until('a sweep found it', () => looks() > flushed);
    // By whichever process looked first: it signs again, and the others find the keys theirs.
    const noticed = () => [gateway, worker].flatMap((one) => one.lines('queue.emptied')).length;
    await until('it was noticed', () => noticed() === 1);
    await until('it is signed again', async () => {
      return (await redis.client.get(ownerKey(SITE))) === INSTANCE;
    });
    for (let n = 0; n < 3; n += 1) {
      const before = looks();
      gateway.queue.ring('bundles');
      await until('a ring was heard', () => looks() > before, WELL_BEFORE_A_SWEEP_MS);
    }
    expect(worker.lines('queue.unfit')).toEqual([]);
  });

  it('works on while the server is gone, says so once, and uses it again without a restart', async () => {
    const gateway = await process();
    const worker = await process();
    const { handler, looks } = counting();
    worker.queue.answer('bundles', handler);
    worker.queue.answer('stops:lims', counting().handler);
    await listening();
    await redis.kill();
    await until('it was noticed', () => worker.lines('queue.away').length > 0);
    for (let n = 0; n < 3; n += 1) {
      const before = looks();
      worker.queue.ring('bundles');
      await until('its own ring was heard', () => looks() > before, WELL_BEFORE_A_SWEEP_MS);
    }
    const before = looks();
    gateway.queue.ring('bundles');
    await until('a sweep found it', () => looks() > before);
    await until('gateway knows', () => gateway.lines('queue.away').length === 1);
    expect(gateway.queue.counts.notCarried).toBeGreaterThan(0);

    await redis.start();
    await until('it is back', () => worker.lines('queue.back').length === 1, AFTER_RETURN_MS);
    await until('it is back', () => gateway.lines('queue.back').length === 1, AFTER_RETURN_MS);
    await listening();
    const returned = looks();
    gateway.queue.ring('bundles');
    await until('a ring was heard', () => looks() > returned, WELL_BEFORE_A_SWEEP_MS);
    for (const { log } of [gateway, worker]) {
      expect(log.filter((line) => line.event === 'queue.away')).toHaveLength(1);
      expect(log.length).toBeLessThan(12);
    }
  });

  it('rings within no time while the server hangs, and hears again when it goes on', async () => {
    const gateway = await process();
    const worker = await process();
    const { handler, looks } = counting();
    worker.queue.answer('bundles', handler);
    await listening();
    redis.signal('SIGSTOP');
    const times: number[] = [];
    for (let n = 0; n < 100; n += 1) {
      const began = performance.now();
      gateway.queue.ring('bundles');
      worker.queue.ring('bundles');
      times.push(performance.now() - began);
      await new Promise((resolve) => setTimeout(resolve, 5));
    }
    // The call itself never waits; 100 ms is the longest that anything waits behind it.
    expect(Math.max(...times)).toBeLessThan(50);
    const before = looks();
    worker.queue.ring('bundles');
    await until('its own ring was heard', () => looks() > before, WELL_BEFORE_A_SWEEP_MS);
    expect(gateway.queue.counts.notCarried).toBeGreaterThan(0);
    redis.signal('SIGCONT');
    await until(
      'rings are carried again',
      async () => {
        const carried = ({ rings, notCarried }: { rings: number; notCarried: number }) =>
          rings - notCarried;
        const then = carried(gateway.queue.counts);
        gateway.queue.ring('bundles');
        await new Promise((resolve) => setTimeout(resolve, 50));
        return carried(gateway.queue.counts) > then;
      },
      AFTER_RETURN_MS,
    );
  });

  it('drains in time while the server hangs', async () => {
    const worker = await process();
    worker.queue.answer('bundles', counting().handler);
    await listening();
    redis.signal('SIGSTOP');
    const began = performance.now();
    await worker.queue.drain();
    expect(performance.now() - began).toBeLessThan(4_000);
  });

  it('starts without a server and uses it once it is there', async () => {
    await redis.kill();
    const worker = await process();
    const { handler, looks } = counting();
    worker.queue.answer('bundles', handler);
    await until('it looked', () => looks() > 0);
    expect(worker.lines('queue.away')).toHaveLength(1);
    await redis.start();
    await until('it is there', () => worker.lines('queue.back').length === 1, AFTER_RETURN_MS);
    const gateway = await process();
    await listening();
    const before = looks();
    gateway.queue.ring('bundles');
    await until('a ring was heard', () => looks() > before, WELL_BEFORE_A_SWEEP_MS);
  });
});
