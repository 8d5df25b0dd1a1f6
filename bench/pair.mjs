// Rows about PostgreSQL and Redis with one process that takes and two that work, all in one world.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { Backlog } from './backlog.mjs';
import { receiptIds } from './bundles.mjs';
import { now, startChild } from './child.mjs';
import { copySite, startGateway } from './gateway.mjs';
import { INTAKE_PAIR_ROWS, intakePairRows, SENDERS } from './intake.mjs';
import { MEMORY_ROWS, MemoryWatch } from './memory.mjs';
import { RESUME_ROWS, resumeRow } from './resume.mjs';
import { limitRow } from './rows.mjs';
import { freePort, openServerPair } from './server-pair.mjs';
import { STOP_ROWS, stopRows } from './stops.mjs';

const WORKERS = 2;
const BACKLOG = { full: 100_000, quick: 2_000 };
const CHUNKS = { full: 10, quick: 2 };
/** Deliveries of the backlog that have arrived when it counts as flowing. */
const FLOWING = 100;

const REFILL_ROW = { name: 'refill-after-flush', unit: 's', limit: 60 };
const RESUME_ROW = RESUME_ROWS.find((row) => row.onServers);
export const PAIR_ROWS = [
  ...INTAKE_PAIR_ROWS,
  ...STOP_ROWS,
  ...MEMORY_ROWS,
  REFILL_ROW,
  RESUME_ROW,
];

export async function pairRows(wanted, options) {
  const world = await openWorld(options);
  const rows = [];
  const of = (all) => wanted.filter((row) => all.includes(row));
  try {
    const intake = of(INTAKE_PAIR_ROWS);
    if (intake.length > 0) rows.push(...(await intakePairRows(world, intake)));
    const idle = of(STOP_ROWS.filter((row) => !row.isSaturated));
    if (idle.length > 0) rows.push(...(await stopRows(world, idle, false)));
    const memory = of(MEMORY_ROWS);
    const saturated = of(STOP_ROWS.filter((row) => row.isSaturated));
    const refill = of([REFILL_ROW]);
    if (memory.length + saturated.length + refill.length > 0) await firstDeliveryThere(world);
    if (memory.length > 0) rows.push(...(await growBacklog(world, memory)));
    else if (saturated.length + refill.length > 0) {
      await world.backlog.add(world.backlogSize, { isBuilt: true });
    }
    if (saturated.length > 0) rows.push(...(await stopRows(world, saturated, true)));
    if (refill.length > 0) rows.push(await refillAfterFlush(world));
    if (of([RESUME_ROW]).length > 0) rows.push(await resumeRow(world, RESUME_ROW));
    const { doubles } = await world.sink.ask('counts');
    if (doubles > 0) throw new Error(`${doubles} messages arrived twice`);
    await world.gateway.stop();
    return rows;
  } finally {
    await world.close();
  }
}

async function openWorld(options) {
  const directory = mkdtempSync(join(tmpdir(), 'drumline-bench-'));
  const children = ['sink', 'sink', 'generator', 'generator', 'straight-line'].map((name) =>
    startChild(`./${name}.mjs`),
  );
  const [sink, archive, generator, desk, straight] = children;
  const serials = Array.from({ length: SENDERS }, (_, i) => `NQ-B-${String(i).padStart(4, '0')}`);
  const others = ['NQ-W-0001', 'NQ-W-0002'];
  const archivePort = await freePort();
  const archiveUrl = `http://127.0.0.1:${archivePort}`;
  const siteFolder = copySite(directory, serials, { others, archiveUrl });
  const sinkUrl = await sink.ask('listen');
  await generator.ask('open', { siteFolder });
  await desk.ask('open', { siteFolder });
  const straightUrl = await straight.ask('open', { siteFolder, sinkUrl });
  const pair = await openServerPair(directory);
  const ground = { directory, siteFolder, sinkUrl, pair, workers: WORKERS, probe: true };
  const gateway = await startGateway({ ...ground, profile: options.profile });
  const { query } = pair;
  return {
    ...{ options, sink, archive, archivePort, generator, desk, straightUrl, serials, others },
    ...{ pair, query, gateway, backlog: new Backlog(query) },
    backlogSize: BACKLOG[options.quick ? 'quick' : 'full'],
    killable: () => gateway.workers,
    /** As many workers as before. */
    restart: async () => {
      const living = gateway.workers.filter((worker) => worker.isAlive());
      const started = Array.from({ length: WORKERS - living.length }, gateway.startWorker);
      gateway.workers.splice(0, WORKERS, ...living, ...(await Promise.all(started)));
    },
    close: async () => {
      await gateway.kill();
      for (const child of children) await child.stop();
      await pair.close();
      rmSync(directory, { recursive: true, force: true });
    },
  };
}

/** One result that came the usual way waits at the archive, which nobody answers for. */
async function firstDeliveryThere({ gateway, generator, serials }) {
  const spec = { round: 'first', instruments: serials.slice(0, 1), bundlesEach: 1, resultsEach: 1 };
  await gateway.announce(receiptIds(spec));
  await generator.ask('prepare', spec);
  const { url, key } = gateway;
  await generator.ask('send', { url, path: '/api/v1/bundles', key });
}

/**
 * The backlog grows while the workers build every payload of it and knock in vain. The first part of it warms them up:
 * before it a process has compiled little of what it runs and opened few of its connections.
 */
async function growBacklog(world, rows) {
  const { gateway, backlog, backlogSize, options } = world;
  const watch = new MemoryWatch(gateway);
  const chunks = CHUNKS[options.quick ? 'quick' : 'full'];
  for (let i = 1; i <= chunks; i++) {
    await backlog.add(backlogSize / chunks, { isBuilt: false });
    await watch.look((i * backlogSize) / chunks);
    options.say(`backlog ${(i * backlogSize) / chunks}: ${watch.words()}`);
  }
  return watch.rows(rows);
}

/**
 * A backlog is due at an archive that answers again, and nobody knows of it: nothing may leave for the archive, so
 * no process plans a look. Then the Redis is flushed and the pause ends in the same moment. Measured is how long
 * it takes until a process has signed the keys again (from then on Redis carries every bell) and the first 100 have
 * arrived. The backlog itself stands in the database all the while; that each of it is still due is counted.
 */
async function refillAfterFlush(world) {
  const { archive, archivePort, backlog, pair, query, options } = world;
  await backlog.pause();
  await archive.ask('listen', { port: archivePort });
  await backlog.letGo();
  const due = await backlog.waiting();
  const signature = 'drumline:northquay:owner';
  const [{ id }] = await query('select id from instance');
  const flushedAt = now();
  await pair.redis.flushall();
  const flowing = archive.ask('until', {
    what: 'stored',
    since: 0,
    more: FLOWING,
    deadlineMs: 120_000,
  });
  await backlog.resume();
  while ((await pair.redis.get(signature)) !== id) await wait(20);
  const signedAt = now();
  const seconds = (at) => (at - flushedAt) / 1000;
  const flowsAfter = seconds(await flowing);
  await wait(options.quick ? 500 : 5_000);
  const left = await backlog.waiting();
  const { stored, doubles } = await archive.ask('counts');
  options.say(
    `refill: ${due} due; keys signed after ${seconds(signedAt).toFixed(1)} s, ${FLOWING} arrived after ${flowsAfter.toFixed(1)} s; later ${stored} stored, ${left} due`,
  );
  if (doubles > 0) throw new Error(`${doubles} messages of the backlog arrived twice`);
  await backlog.pause();
  return limitRow(REFILL_ROW, [Math.max(seconds(signedAt), flowsAfter)]);
}
