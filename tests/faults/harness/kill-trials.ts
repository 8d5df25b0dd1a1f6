import { setTimeout as wait } from 'node:timers/promises';
import { seededRandom, seedFor } from '../../../src/simulation/seeded-random.js';
import type { FaultPlace } from './fault-place.js';
import { SINKS, type SinkName, STEPS, type StepName, type Target } from './schedule.js';
import type { ServerWorld } from './server-world.js';
import { SINK_KINDS } from './sink-process.js';
import { logsOf, type Say, type TrialResult, trial } from './trial.js';

const SEED = 1;
/** A step is reached again within this, if there is work and somebody does it. */
const REACHED_MS_MAX = 30_000;
const READY_MS_MAX = 30_000;
const LOOK_EVERY_MS = 20;
const NTH_MAX = 4;
const RECEIPTS_A_KILL = 12;
const RECEIPTS_BESIDE = 40;

/** `S9-askable`: kills at a step of what goes to a kind of destination. */
const killName = (step: StepName, sink: SinkName): string => `${step}-${SINK_KINDS[sink]}`;

/** Every step, so many kills at each, for each kind of destination by itself. */
export async function* killTrials(
  place: FaultPlace,
  { kills, only }: { readonly kills: number; readonly only: string | null },
  say: Say,
): AsyncGenerator<TrialResult> {
  await place.cluster.fakeTime(false);
  for (const sink of SINKS) {
    for (const step of STEPS) {
      if (only !== null && only !== killName(step, sink)) continue;
      yield await killTrial(place, { sink, step, kills }, say);
    }
  }
}

async function killTrial(
  place: FaultPlace,
  { sink, step, kills }: { sink: SinkName; step: StepName; kills: number },
  say: Say,
): Promise<TrialResult> {
  const name = killName(step, sink);
  say(
    `${kills} kills at ${step}, destination that ${sink === 'erp' ? 'honours keys' : `is ${SINK_KINDS[sink]}`}`,
  );
  const options = {
    place,
    name: `kill_${name.toLowerCase().replace('-', '_')}`,
    seed: SEED,
    receiptsEach: RECEIPTS_BESIDE + kills * RECEIPTS_A_KILL,
    gateways: 2,
    sinks: [sink],
    refusing: new Set<SinkName>(),
    movedWorkers: new Set<number>(),
    logDirectory: logsOf(name),
  } as const;
  return trial(name, options, say, async (world) => {
    const done = await killAgainAndAgain(world, step, kills);
    if (done < kills) say(`  ${done} of ${kills}: ${step} was not reached again`);
    return { injected: new Map([[`kill ${step}`, done]]), bites: [] };
  });
}

async function killAgainAndAgain(world: ServerWorld, step: StepName, kills: number) {
  const random = seededRandom(seedFor(SEED, step));
  const isIntake = Number(step.slice(1)) <= 4;
  for (let i = 0; i < kills; i += 1) {
    const role: Target['role'] = isIntake || (step === 'S14' && i % 2 === 0) ? 'serve' : 'work';
    const { process: victim } = world.member({ role, index: i % 2 === 0 ? 0 : 1 });
    const ready = await within(READY_MS_MAX, () => victim.isReady);
    if (!ready || !victim.arm(step, 1 + Math.floor(random() * NTH_MAX))) return i;
    const before = victim.killedAt.length;
    if (!(await within(REACHED_MS_MAX, () => victim.killedAt.length > before))) {
      victim.disarm();
      return i;
    }
  }
  return kills;
}

async function within(msMax: number, isDone: () => boolean): Promise<boolean> {
  const end = performance.now() + msMax;
  while (!isDone()) {
    if (performance.now() > end) return false;
    await wait(LOOK_EVERY_MS);
  }
  return true;
}
