// What a bundle of 1,000 results with spectra, checked in the pool, does to somebody who asks whether the gateway lives.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { Client } from 'undici';
import { receiptIds } from './bundles.mjs';
import { startChild } from './child.mjs';
import { copySite, startGateway } from './gateway.mjs';
import { limitRow, percentile } from './rows.mjs';

const RESULTS = 1_000;
const ASK_EVERY_MS = 4;
const IDLE_MS = { full: 5_000, quick: 2_000 };
const ROUNDS = { full: 3, quick: 1 };
const DEADLINE_MS = 300_000;

/** The same limit as for the hold-up of the event loop; the row beside it says what an idle gateway does. */
export const EXAMINE_ROWS = [
  { name: 'health-p99-idle', unit: 'ms', limit: 25, of: 'idle' },
  { name: 'health-p99-examining', unit: 'ms', limit: 25, of: 'examining' },
];

export async function examineRows(wanted, { quick, profile, say }) {
  const mode = quick ? 'quick' : 'full';
  const directory = mkdtempSync(join(tmpdir(), 'drumline-bench-examine-'));
  const children = [];
  const child = (file) => {
    const started = startChild(file);
    children.push(started);
    return started;
  };
  let gateway = null;
  try {
    const serials = Array.from({ length: ROUNDS[mode] + 1 }, (_, i) => `NQ-B-${i}`);
    const siteFolder = copySite(directory, serials);
    const sink = child('./sink.mjs');
    const generator = child('./generator.mjs');
    const sinkUrl = await sink.ask('listen');
    await generator.ask('open', { siteFolder });
    gateway = await startGateway({ directory, siteFolder, sinkUrl, profile });
    const found = [];
    for (const [round, serial] of serials.entries()) {
      const idle = await asking(gateway.url, wait(round === 0 ? 500 : IDLE_MS[mode]));
      const examining = await asking(gateway.url, oneBundle({ gateway, generator }, serial));
      const p99 = (times) => percentile(times, 99);
      // Round 0 warms the pool up and is not counted.
      if (round > 0) found.push({ idle: p99(idle), examining: p99(examining) });
      say(
        `health round ${round}: idle p99 ${p99(idle).toFixed(1)} ms of ${idle.length}, examining p99 ${p99(examining).toFixed(1)} ms, longest ${Math.max(...examining).toFixed(1)} ms of ${examining.length}`,
      );
    }
    await gateway.stop();
    return wanted.map((row) =>
      limitRow(
        row,
        found.map((round) => round[row.of]),
      ),
    );
  } catch (error) {
    await gateway?.kill();
    throw error;
  } finally {
    for (const started of children) await started.stop();
    rmSync(directory, { recursive: true, force: true });
  }
}

/** How long each answer of /health/live takes until the work is done, in ms. */
async function asking(url, work) {
  const client = new Client(url, { pipelining: 1 });
  let isOver = false;
  const done = work.finally(() => {
    isOver = true;
  });
  const times = [];
  while (!isOver) {
    const begin = performance.now();
    const { statusCode, body } = await client.request({ method: 'GET', path: '/health/live' });
    await body.dump();
    if (statusCode !== 200) throw new Error(`/health/live answered ${statusCode}`);
    times.push(performance.now() - begin);
    await wait(ASK_EVERY_MS);
  }
  await done;
  await client.close();
  return times;
}

/** From the first byte handed over to the bundle accepted: taken in, examined in the pool, settled. */
async function oneBundle({ gateway, generator }, serial) {
  const spec = {
    round: `examine-${serial}`,
    instruments: [serial],
    bundlesEach: 1,
    resultsEach: RESULTS,
  };
  await generator.ask('prepare', spec);
  await gateway.announce(receiptIds(spec));
  const { url, key } = gateway;
  const { answers } = await generator.ask('send', { url, path: '/api/v1/bundles', key });
  const follow = new URL(JSON.parse(answers[0]).follow, url);
  const end = performance.now() + DEADLINE_MS;
  while (performance.now() < end) {
    const answer = await fetch(follow, { headers: { authorization: `Bearer ${key}` } });
    const { state } = await answer.json();
    if (state === 'accepted') return;
    if (state === 'held' || state === 'refused') throw new Error(`the bundle is ${state}`);
    await wait(50);
  }
  throw new Error('the bundle was not examined in time');
}
