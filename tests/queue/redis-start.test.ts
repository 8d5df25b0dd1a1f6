import { afterEach, describe, expect, it, test } from 'vitest';
import { Misconfigured } from '../../src/errors.js';
import { redisFault } from '../../src/queue/redis-fitness.js';
import { keyPrefix, ownerKey } from '../../src/queue/redis-keys.js';
import { describeWithRedis, OwnRedis } from '../support/redis.js';
import { until } from '../support/until.js';
import { INSTANCE, type OpenedQueue, openQueue, SITE } from './bullmq-process.js';
import { OldRedis } from './old-redis.js';

const OTHER_INSTANCE = '01900000-0000-7000-8000-0000000000ff';
const ends: (() => Promise<unknown>)[] = [];

afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

async function server(...settings: string[]): Promise<OwnRedis> {
  const redis = await OwnRedis.start(...settings);
  ends.push(() => redis.end());
  return redis;
}

async function process(url: string, instance = INSTANCE): Promise<OpenedQueue> {
  const opened = await openQueue(url, { instance });
  ends.push(() => opened.queue.drain());
  return opened;
}

async function refusal(url: string): Promise<Misconfigured> {
  try {
    await process(url);
  } catch (error) {
    if (error instanceof Misconfigured) return error;
    throw error;
  }
  throw new Error('the queue opened');
}

describe('a server judged by what INFO says', () => {
  // Names of the fields: the documentation of the command INFO, as Redis 7.0 answers it.
  const fit = {
    redis_version: '7.0.15',
    maxmemory_policy: 'noeviction',
    cluster_enabled: '0',
    role: 'master',
  };
  const info = (fields: Record<string, string>) =>
    ['# Server', ...Object.entries(fields).map(([name, value]) => `${name}:${value}`)].join('\r\n');

  test.each([
    [{}, null],
    [{ redis_version: '6.2.0' }, null],
    [{ redis_version: '10.0.0' }, null],
    [{ redis_version: '6.0.16' }, 'redis-too-old'],
    [{ redis_version: '5.0.7' }, 'redis-too-old'],
    [{ redis_version: 'unknown' }, 'redis-too-old'],
    [{ maxmemory_policy: 'allkeys-lru' }, 'redis-evicts'],
    [{ maxmemory_policy: 'volatile-ttl' }, 'redis-evicts'],
    [{ cluster_enabled: '1' }, 'redis-unsuitable'],
    [{ role: 'slave' }, 'redis-unsuitable'],
  ])('%j → %s', (change, code) => {
    expect(redisFault(info({ ...fit, ...change }))?.code ?? null).toBe(code);
  });

  test('what it does not say is not taken for good', () => {
    expect(redisFault('')?.code).toBe('redis-too-old');
    expect(redisFault('redis_version:7.0.0')?.code).toBe('redis-evicts');
  });
});

describe('a server that is too old', () => {
  it('stops the start, with the version found and the one needed', async () => {
    const old = await OldRedis.start('5.0.7');
    ends.push(() => old.end());
    const { code, message } = await refusal(old.url);
    expect(code).toBe('redis-too-old');
    expect(message).toContain('version 5.0.7');
    expect(message).toContain('6.2');
  });
});

describeWithRedis('a start with Redis', () => {
  it('is refused where keys may be evicted, with the remedy', async () => {
    const redis = await server('--maxmemory-policy', 'allkeys-lru');
    const { code, message } = await refusal(redis.url);
    expect(code).toBe('redis-evicts');
    expect(message).toContain('allkeys-lru');
    expect(message).toContain('maxmemory-policy noeviction');
    expect(await redis.client.dbsize()).toBe(0);
  });

  it('is refused at a replica', async () => {
    const primary = await server();
    const replica = await server('--replicaof', `127.0.0.1 ${primary.port}`);
    expect((await refusal(replica.url)).code).toBe('redis-unsuitable');
  });

  it('is refused with wrong credentials, and says none of them', async () => {
    const redis = await server('--requirepass', 'right-one');
    const wrong = redis.url.replace('//', '//:wrong-one@');
    for (const url of [redis.url, wrong]) {
      const { code, message } = await refusal(url);
      expect(code).toBe('redis-refuses');
      expect(message).not.toMatch(/right-one|wrong-one/);
    }
    const { lines } = await process(redis.url.replace('//', '//:right-one@'));
    expect(lines('queue.away')).toEqual([]);
  });

  it('is refused beside another database of the same site', async () => {
    const redis = await server();
    await process(redis.url);
    await expect(process(redis.url, OTHER_INSTANCE)).rejects.toMatchObject({
      code: 'redis-foreign-keys',
      found: expect.stringContaining(INSTANCE),
    });
    await process(redis.url);
    await process(`${redis.url}/1`, OTHER_INSTANCE);
  });

  test.each([
    ['a list where the queue has one', 'bundles:wait', ['RPUSH', 'x']],
    ['a text where the queue has a hash', 'stops.erp:meta', ['SET', 'x']],
    ['something else in place of the signature', 'owner', ['RPUSH', 'x']],
  ] as const)(
    'is refused where the prefix holds %s, and touches nothing',
    async (_what, key, [command, value]) => {
      const redis = await server();
      const full = `${keyPrefix(SITE)}:${key}`;
      await redis.client.call(command, full, value);
      await redis.client.set('other-project:key', 'theirs');
      const before = await redis.client.dumpBuffer(full);
      const { code, message } = await refusal(redis.url);
      expect(code).toBe('redis-foreign-keys');
      expect(message).toContain(full);
      expect(await redis.client.dumpBuffer(full)).toEqual(before);
      expect((await redis.client.keys('*')).sort()).toEqual([full, 'other-project:key'].sort());
    },
  );

  it('leaves the keys of other projects alone while it works', async () => {
    const redis = await server();
    await redis.client.set('drumline:another-site:owner', 'theirs');
    await redis.client.set('bull:bundles:id', '7');
    const { queue } = await process(redis.url);
    let looks = 0;
    queue.answer('bundles', async () => {
      looks += 1;
      return { nextDueAt: null };
    });
    queue.ring('bundles');
    await until('it was looked after', () => looks > 1);
    expect(await redis.client.get('drumline:another-site:owner')).toBe('theirs');
    expect(await redis.client.get('bull:bundles:id')).toBe('7');
  });

  it('goes on just after a flush, when another process of the same database lives', async () => {
    const redis = await server();
    const living = await process(redis.url);
    await redis.client.flushall();
    living.queue.ring('bundles');
    await until('there are keys', async () => (await redis.client.dbsize()) > 0);
    await redis.client.del(ownerKey(SITE));
    const started = await process(redis.url);
    expect(started.lines('queue.unfit')).toEqual([]);
    expect(await redis.client.get(ownerKey(SITE))).toBe(INSTANCE);
  });
});

describeWithRedis('a server that changes while processes run', () => {
  it('is named once when it may evict, not used, and used again once it is put right', async () => {
    const redis = await server();
    const { queue, lines } = await process(redis.url);
    await redis.client.config('SET', 'maxmemory-policy', 'allkeys-lru');
    await until('it is named', () => lines('queue.unfit').length > 0);
    expect(lines('queue.unfit')).toMatchObject([{ level: 50, code: 'redis-evicts' }]);
    queue.ring('bundles');
    await until('it was not carried', () => queue.counts.notCarried === 1);
    await redis.client.config('SET', 'maxmemory-policy', 'noeviction');
    await until('it is used again', () => lines('queue.back').length === 1);
    expect(lines('queue.unfit')).toHaveLength(1);
    queue.ring('bundles');
    await until('it was carried', () => queue.counts.rings === 2);
    expect(queue.counts.notCarried).toBe(1);
  });

  it('is named and not used when another database signs the keys', async () => {
    const redis = await server();
    const { queue, lines } = await process(redis.url);
    await redis.client.set(ownerKey(SITE), OTHER_INSTANCE);
    await until('it is named', () => lines('queue.unfit').length > 0);
    expect(lines('queue.unfit')).toMatchObject([{ code: 'redis-foreign-keys' }]);
    queue.ring('bundles');
    await until('it was not carried', () => queue.counts.notCarried === 1);
    expect(await redis.client.get(ownerKey(SITE))).toBe(OTHER_INSTANCE);
  });
});
