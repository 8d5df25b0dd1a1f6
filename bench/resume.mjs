import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { receiptIds } from './bundles.mjs';
import { now, startChild } from './child.mjs';
import { copySite, startGateway } from './gateway.mjs';
import { limitRow } from './rows.mjs';

export const RESUME_ROWS = [
  { name: 'resume-after-kill-sqlite', unit: 's', limit: 15 },
  { name: 'resume-after-kill-postgres', unit: 's', limit: 15, onServers: true },
];
const ROUNDS = { full: 3, quick: 1 };
const DEADLINE_MS = 60_000;
const SENDERS = 12;

/**
 * From SIGKILL of a process that is sending to the first message it left in doubt being sent again or asked about:
 * after a restart with SQLite, by the worker that lives on the server pair.
 */
export async function resumeRow(world, row) {
  const { quick, say } = world.options;
  const found = [];
  for (let i = 0; i < ROUNDS[quick ? 'quick' : 'full']; i++) {
    const seconds = await oneKill(world, `resume-${i}`);
    say(`${row.name} round ${i}: ${seconds.toFixed(1)} s`);
    found.push(seconds);
  }
  return limitRow(row, found);
}

async function oneKill(world, round) {
  const { sink, generator, gateway, serials } = world;
  const instruments = serials.slice(0, SENDERS);
  const spec = { round, instruments, bundlesEach: 1, resultsEach: 1 };
  await gateway.announce(receiptIds(spec));
  await generator.ask('prepare', spec);
  await sink.ask('hold');
  const { url, key } = gateway;
  await generator.ask('send', { url, path: '/api/v1/bundles', key });
  await until('messages are held', async () => (await sink.ask('heldNow')) >= SENDERS / 2);
  const before = await sink.ask('orphaned');
  const killedAt = now();
  for (const process of [...world.killable()]) {
    await process.kill();
    await wait(200);
    if ((await sink.ask('orphaned')) > before) break;
  }
  const touched = sink.ask('release');
  await world.restart();
  return ((await touched) - killedAt) / 1000;
}

async function until(what, condition) {
  const end = performance.now() + DEADLINE_MS;
  while (!(await condition())) {
    if (performance.now() > end) throw new Error(`waited in vain until ${what}`);
    await wait(50);
  }
}

/** The row of the small pair: a world of its own, with one process. */
export async function resumeSqliteRows([row], options) {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-bench-'));
  const sink = startChild('./sink.mjs');
  const generator = startChild('./generator.mjs');
  let gateway = null;
  try {
    const serials = Array.from({ length: SENDERS }, (_, i) => `NQ-B-${String(i).padStart(4, '0')}`);
    const siteFolder = copySite(directory, serials);
    const sinkUrl = await sink.ask('listen');
    await generator.ask('open', { siteFolder });
    const start = () => startGateway({ directory, siteFolder, sinkUrl });
    gateway = await start();
    const world = {
      options,
      sink,
      generator,
      serials,
      get gateway() {
        return gateway;
      },
      killable: () => [gateway.gateway],
      restart: async () => {
        gateway = await start();
      },
    };
    return [await resumeRow(world, row)];
  } finally {
    await gateway?.kill();
    for (const child of [generator, sink]) await child.stop();
    rmSync(directory, { recursive: true, force: true });
  }
}
