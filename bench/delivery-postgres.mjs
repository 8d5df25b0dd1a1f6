import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { now, startChild } from './child.mjs';
import { rowOf } from './rows.mjs';
import { openServerPair } from './server-pair.mjs';

export const DELIVERY_POSTGRES_ROWS = [{ name: 'delivery-postgres', target: 1 }];

const WORKERS = 2;
const KEYS = 500;
const BODY_BYTES = 2048;
const CONNECTIONS = 50;
const DEADLINE_MS = 300_000;
const SIZES = { full: { rounds: 5, messages: 5000 }, quick: { rounds: 1, messages: 300 } };

/**
 * Deliveries a second from the first one added to the last one stored by the sink, over 500 ordering keys and two
 * processes that work: adding, building, claiming, attempt row, POST, outcome and trail. Beside it bare BullMQ on
 * the same Redis in two processes: adding and the same POST. Each pair of processes shares the connections.
 */
export async function deliveryPostgresRows(_wanted, { quick, profile, say }) {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-bench-'));
  const { rounds, messages } = SIZES[quick ? 'quick' : 'full'];
  const pair = await openServerPair(directory);
  const sink = startChild('./sink.mjs');
  const two = (file, ...more) => Array.from({ length: WORKERS }, () => startChild(file, ...more));
  const drumline = two('./outbox-worker.mjs', profile);
  const bare = two('./bullmq-worker.mjs');
  const found = [];
  try {
    const sinkUrl = await sink.ask('listen');
    const to = { sinkUrl, redisUrl: pair.redisUrl, bodyBytes: BODY_BYTES };
    const own = { ...to, directory: join(directory, 'data'), databaseUrl: pair.databaseUrl };
    // In flight at the destination is counted over all processes; a BullMQ worker knows only its own.
    for (const worker of drumline) await worker.ask('open', { ...own, connections: CONNECTIONS });
    for (const worker of bare)
      await worker.ask('open', { ...to, connections: CONNECTIONS / WORKERS });
    const rate = async ([adder], round) => {
      const { stored: since } = await sink.ask('counts');
      const load = { messages, keys: KEYS, bodyBytes: BODY_BYTES, round };
      const stored = sink.ask('until', {
        what: 'stored',
        since,
        more: messages,
        deadlineMs: DEADLINE_MS,
      });
      const startedAt = now();
      await adder.ask('fill', load);
      return (messages * 1000) / ((await stored) - startedAt);
    };
    // Round 0 warms both up and is not counted.
    for (let i = 0; i <= rounds; i++) {
      const ceiling = await rate(bare, i);
      const value = await rate(drumline, i);
      say(`round ${i}: stored ${value.toFixed(0)}/s; bare BullMQ ${ceiling.toFixed(0)}/s`);
      if (i > 0) found.push({ value, ceiling });
    }
    for (const worker of [...drumline, ...bare]) await worker.ask('close');
    const { doubles } = await sink.ask('counts');
    if (doubles > 0) throw new Error(`${doubles} messages arrived twice`);
  } finally {
    for (const child of [...drumline, ...bare, sink]) await child.stop();
    await pair.close();
    rmSync(directory, { recursive: true, force: true });
  }
  return DELIVERY_POSTGRES_ROWS.map(({ name, target }) =>
    rowOf({ name, unit: 'deliveries/s', target }, found),
  );
}
