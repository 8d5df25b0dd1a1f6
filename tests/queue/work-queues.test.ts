import { afterAll, beforeAll } from 'vitest';
import { InProcessQueue } from '../../src/queue/in-process.queue.js';
import { describeWithRedis, OwnRedis } from '../support/redis.js';
import { openQueue } from './bullmq-process.js';
import { describeWorkQueue } from './work-queue-conformance.js';

/** A new implementation is a new row. */
describeWorkQueue('the in-process queue', {
  open: async (clock, onError) => new InProcessQueue(clock, onError),
});

describeWithRedis('on a server of its own', () => {
  let redis: OwnRedis;

  beforeAll(async () => {
    redis = await OwnRedis.start();
  });
  afterAll(() => redis.end());

  describeWorkQueue('the BullMQ queue', {
    open: async (clock, onError) => {
      // A ring that the test before handed over would be one look too many.
      await redis.client.flushall();
      return (await openQueue(redis.url, { clock, onError })).queue;
    },
  });
});

describeWithRedis('with nobody at its address', () => {
  let redis: OwnRedis;

  beforeAll(async () => {
    redis = await OwnRedis.prepare();
  });
  afterAll(() => redis.end());

  describeWorkQueue('the BullMQ queue', {
    open: async (clock, onError) => (await openQueue(redis.url, { clock, onError })).queue,
  });
});
