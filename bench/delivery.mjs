import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { startChild } from './child.mjs';
import { rowOf } from './rows.mjs';

export const DELIVERY_ROWS = [{ name: 'delivery-to-accepted', target: 0.3 }];

const KEYS = 500;
const BODY_BYTES = 2048;
const CONNECTIONS = 50;
const SIZES = { full: { rounds: 5, messages: 5000 }, quick: { rounds: 2, messages: 1000 } };

/**
 * Deliveries a second from due, with their payload built, to accepted: claim, attempt row, POST, answer,
 * outcome and audit entry, over 500 ordering keys. Beside it a loop that posts the same bodies to the same
 * sink over as many connections and keeps nothing.
 */
export async function deliveryRows(_wanted, { quick, profile, say }) {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-bench-'));
  const sink = startChild('./sink.mjs');
  const outbox = startChild('./outbox.mjs', profile);
  const loop = startChild('./pool-loop.mjs');
  const { rounds, messages } = SIZES[quick ? 'quick' : 'full'];
  const load = { messages, keys: KEYS, bodyBytes: BODY_BYTES };
  const found = [];
  try {
    const sinkUrl = await sink.ask('listen');
    const to = { sinkUrl, connections: CONNECTIONS };
    await loop.ask('open', to);
    await outbox.ask('open', {
      ...to,
      directory: join(directory, 'data'),
      bodyBytes: BODY_BYTES,
    });
    // Round 0 warms both up and is not counted.
    for (let i = 0; i <= rounds; i++) {
      await outbox.ask('fill', { ...load, round: i });
      const ceiling = (messages * 1000) / (await loop.ask('run', { ...load, round: i }));
      const value = (messages * 1000) / (await outbox.ask('run', { messages }));
      say(`round ${i}: accepted ${value.toFixed(0)}/s; Pool loop ${ceiling.toFixed(0)}/s`);
      if (i > 0) found.push({ value, ceiling });
    }
    await outbox.ask('close');
    const { doubles } = await sink.ask('counts');
    if (doubles > 0) throw new Error(`${doubles} messages arrived twice`);
  } finally {
    for (const child of [outbox, loop, sink]) await child.stop();
    rmSync(directory, { recursive: true, force: true });
  }
  return DELIVERY_ROWS.map(({ name, target }) =>
    rowOf({ name, unit: 'deliveries/s', target }, found),
  );
}
