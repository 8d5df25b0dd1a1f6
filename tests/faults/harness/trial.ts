import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import type { Judgement, SinkKind, SinkVerdict } from '../../../src/simulation/judge.js';
import { repositoryRoot } from '../../support/shared.js';
import type { Bite } from './doubts.js';
import { DrainWatch } from './drain-watch.js';
import type { FaultPlace } from './fault-place.js';
import { Injector } from './injector.js';
import { describeFault, faultSchedule, SINKS } from './schedule.js';
import { ServerWorld, type ServerWorldOptions } from './server-world.js';

/** A start takes seconds, and on a crowded machine a minute and more. */
const READY_MS_MAX = 120_000;
/** Each instrument has been heard within this, before anything is hurt. */
const FLOWING_MS_MAX = 60_000;
/** What was under way when the faults ended is acknowledged within this, bundles and what people asked for. */
const ACKNOWLEDGED_MS_MAX = 150_000;
/** Everything drains by itself. A crowded machine may take longer, as long as something moves, up to this. */
const DRAIN_MS_MAX = 300_000;
/** What nothing mends any more is told this much later, with what else there is. */
const DRAIN_MS_USUAL = 20_000;
const JUDGE_EVERY_MS = 300;
/** Receipts an instrument measures in a second of the usual load, at most. */
const RECEIPTS_A_SECOND = 2;
const RECEIPTS_OF_BURSTS = 25;

export interface TrialResult {
  readonly name: string;
  readonly sinks: SinkVerdict;
  readonly doubles: Readonly<Record<SinkKind, number>>;
  /** Everything that is not as it should be, a sentence each; empty when the trial passed. */
  readonly findings: readonly string[];
  readonly injected: ReadonlyMap<string, number>;
}

/** What a script did to a world. */
interface Inflicted {
  /** Counts by kind. */
  readonly injected: ReadonlyMap<string, number>;
  /** Kills left out: the processes count these themselves. */
  readonly bites: readonly Bite[];
}

export type Say = (text: string) => void;

export const logsOf = (name: string): string => join(repositoryRoot(), '.drumline', 'faults', name);

/** One seed: its faults under load, then quiet, then the books. */
export async function seedTrial(
  place: FaultPlace,
  seed: number,
  seconds: number,
  say: Say,
): Promise<TrialResult> {
  const schedule = faultSchedule(seed, seconds);
  say(`seed ${seed}, ${seconds} s of faults, ${schedule.gateways} gateways, 2 workers`);
  for (const fault of schedule.faults) say(`  plan: ${describeFault(fault)}`);
  const kinds = new Set(schedule.faults.map((fault) => fault.kind));
  await place.cluster.fakeTime(
    kinds.has('clock-database') && !place.impossible.has('clock-database'),
  );
  const moved = schedule.faults.flatMap((f) =>
    f.kind === 'clock-worker' && f.target ? [f.target.index] : [],
  );
  const options: ServerWorldOptions = {
    place,
    name: `seed_${seed}`,
    seed,
    receiptsEach: RECEIPTS_OF_BURSTS + seconds * RECEIPTS_A_SECOND,
    gateways: schedule.gateways,
    sinks: SINKS,
    refusing: new Set(
      schedule.faults.flatMap((f) => (f.kind === 'sink-reject' && f.sink ? [f.sink] : [])),
    ),
    movedWorkers: new Set(moved),
    logDirectory: logsOf(String(seed)),
  };
  return trial(String(seed), options, say, async (world) => {
    const injector = new Injector(world, say);
    await injector.run(schedule.faults, seconds * 1000);
    return injector;
  });
}

/** Opens a world, lets a script hurt it under load, and judges it once it had time to drain. */
export async function trial(
  name: string,
  options: ServerWorldOptions,
  say: Say,
  script: (world: ServerWorld) => Promise<Inflicted>,
): Promise<TrialResult> {
  const begun = performance.now();
  const since = () => `${((performance.now() - begun) / 1000).toFixed(1)} s`;
  const world = await ServerWorld.open(options);
  const findings: string[] = [];
  try {
    say(`  ready after ${since()}`);
    const load = world.load.run();
    // Reported below; it must not end the program meanwhile.
    load.catch(() => undefined);
    if (!(await world.load.untilFlowing(FLOWING_MS_MAX)))
      findings.push('no bundle was acknowledged');
    const { injected, bites } = await script(world);
    world.load.stop();
    say(`  faults over after ${since()}`);
    findings.push(...(await quiet(world, load)));
    say(`  acknowledged after ${since()}`);
    findings.push(...(await close(world)));
    say(`  synced after ${since()}`);
    const judgement = await drained(world);
    findings.push(...judgement.findings, ...world.problems);
    const { messages, missing } = await world.inDoubt();
    const max = world.missingMax(bites);
    const unexplained = Math.max(0, missing - max);
    if (unexplained > 0) {
      findings.push(
        `lost: ${missing} messages in doubt are not at the archive, and what was injected explains ${max} at most`,
      );
    }
    const { measured, receipts } = world.load.truth;
    const takenBack = measured.filter((r) => r.revisions !== undefined);
    say(
      `  drained after ${since()}: ${measured.length} results of ${receipts.length} receipts, ${takenBack.length} taken back, ${messages} messages in doubt at the archive (${missing} missing there, ${max} at most), ${findings.length} findings`,
    );
    if (findings.length > 0) await world.keepEvidence(findings);
    const sinks = { ...judgement.sinks, lost: judgement.sinks.lost + unexplained };
    return { name, sinks, doubles: judgement.doubles, findings, injected };
  } finally {
    await world.close();
  }
}

/** Waits until the last bundle under way is acknowledged and every process is up. */
async function quiet(world: ServerWorld, load: Promise<void>): Promise<string[]> {
  const findings: string[] = [];
  if (!(await world.untilAllReady(READY_MS_MAX))) findings.push('a process did not come up again');
  const end = await Promise.race([
    load.then(
      () => null,
      (error: unknown) => String(error),
    ),
    wait(ACKNOWLEDGED_MS_MAX, 'the last bundle or act under way was not acknowledged', {
      ref: false,
    }),
  ]);
  if (end !== null) findings.push(end);
  return findings;
}

async function close(world: ServerWorld): Promise<string[]> {
  try {
    await world.load.close();
    return [];
  } catch (error) {
    return [`the last syncs: ${String(error)}`];
  }
}

/** The judgement once nothing is wrong and nothing that is under way could still change that; or the last one. */
async function drained(world: ServerWorld): Promise<Judgement> {
  let end = performance.now() + DRAIN_MS_MAX;
  const watch = new DrainWatch();
  for (;;) {
    const { judgement, ...rest } = await world.look();
    const now = performance.now();
    const isClean = judgement.findings.length === 0;
    if (watch.see({ isClean, ...rest }, now) !== 'goes-on' || now >= end) return judgement;
    // No time mends this, so the rest is waited for no longer than it usually takes.
    if (isBeyondRepair(judgement)) end = Math.min(end, now + DRAIN_MS_USUAL);
    await wait(JUDGE_EVERY_MS);
  }
}

function isBeyondRepair({ sinks }: Judgement): boolean {
  return sinks.double > 0 || sinks.outOfOrder > 0 || sinks.wrongRelease > 0;
}
