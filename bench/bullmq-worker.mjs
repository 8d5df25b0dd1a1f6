// What delivering through a queue costs at least: BullMQ as it is, its jobs carrying the bodies, each job one POST.
// It keeps no order, no attempt and no answer. One of several processes also adds.
import { Queue, Worker } from 'bullmq';
import { Redis } from 'ioredis';
import { Pool } from 'undici';
import { answerParent } from './child.mjs';
import { bodyOf } from './message.mjs';

const NAME = 'posts';
const ADD_AT_ONCE = 500;

let queue;
let worker;
let pool;

answerParent({
  open: async ({ redisUrl, sinkUrl, connections }) => {
    pool = new Pool(sinkUrl, { connections, pipelining: 1 });
    queue = new Queue(NAME, { connection: new Redis(redisUrl, { maxRetriesPerRequest: null }) });
    worker = new Worker(NAME, post, {
      connection: new Redis(redisUrl, { maxRetriesPerRequest: null }),
      concurrency: connections,
    });
    await worker.waitUntilReady();
  },
  fill: async ({ messages, bodyBytes, round }) => {
    for (let from = 0; from < messages; from += ADD_AT_ONCE) {
      const count = Math.min(ADD_AT_ONCE, messages - from);
      await queue.addBulk(
        Array.from({ length: count }, (_, i) => ({
          name: 'post',
          data: { body: bodyOf(`bare-${round}-${from + i}`, bodyBytes) },
          opts: { removeOnComplete: true },
        })),
      );
    }
  },
  close: async () => {
    await worker.close(true);
    await queue.close();
    await pool.close();
  },
});

async function post(job) {
  const answer = await pool.request({
    method: 'POST',
    path: '/api/identity-results',
    headers: { 'content-type': 'application/json', authorization: 'Bearer simulated' },
    body: job.data.body,
  });
  await answer.body.json();
  if (answer.statusCode !== 201) throw new Error(`answered ${answer.statusCode}`);
}
