import { mkdirSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import { parseArgs } from 'node:util';
import { type FaultPlace, missingPrograms, openFaultPlace } from './fault-place.js';
import { killTrials } from './kill-trials.js';
import { logsOf, type Say, seedTrial, type TrialResult } from './trial.js';

export const HELP = `Runs gateways and workers on PostgreSQL and Redis, hurts them by a seeded schedule, and judges by the
destinations' books.

  --seeds N      seeds 1 to N, or N from --from
  --from N       first seed of --seeds
  --seed N       one seed again
  --seconds S    how long each seed injects faults (default 12)
  --kills N      every step × N kills × three kinds of destination, instead of seeds
  --only NAME    of --kills: one step and kind, such as S9-askable
  --json         one JSON line last on stdout
`;

const SECONDS = 12;

interface HarnessOptions {
  readonly seeds: readonly number[];
  readonly seconds: number;
  readonly kills: number | null;
  readonly only: string | null;
  readonly json: boolean;
}

/** Runs what the arguments ask for and returns the exit code. */
export async function main(args: readonly string[]): Promise<number> {
  const say: Say = (text) => void process.stderr.write(`${text}\n`);
  const options = readOptions(args);
  if (typeof options === 'string') {
    say(`${options}\n\n${HELP}`);
    return 2;
  }
  const missing = missingPrograms();
  if (missing.length > 0) {
    const mustExist = process.env['CI'] === 'true';
    say(`${missing.join(' and ')} absent: ${mustExist ? 'CI=true requires them' : 'not run'}`);
    return mustExist ? 1 : 0;
  }
  const directory = logsOf('');
  mkdirSync(directory, { recursive: true });
  const place = await openFaultPlace(join(directory, 'postgresql.log'));
  // Processes hear an interruption themselves; what would stay behind is the cluster and its small disk.
  const interrupted = new Promise<number>((resolve) => {
    for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => resolve(130));
  });
  try {
    return await Promise.race([runAll(place, options, say), interrupted]);
  } finally {
    await place.cluster.destroy();
  }
}

async function runAll(place: FaultPlace, options: HarnessOptions, say: Say): Promise<number> {
  for (const [kind, why] of place.impossible) say(`not possible here: ${kind}: ${why}`);
  const total = emptyTotal();
  for await (const result of trials(place, options, say)) {
    add(total, result);
    if (result.findings.length === 0) {
      rmSync(logsOf(result.name), { recursive: true, force: true });
      continue;
    }
    say(`FAILED ${result.name}`);
    for (const finding of result.findings.slice(0, 40)) say(`  ${finding}`);
    say(`  logs: ${logsOf(result.name)}`);
    const again =
      options.kills === null
        ? `--seed ${result.name} --seconds ${options.seconds}`
        : `--kills ${options.kills} --only ${result.name}`;
    say(`  again: npm run test:faults -- ${again}`);
  }
  const summary = { ...total, seeds: options.kills === null ? options.seeds.length : 0 };
  process.stdout.write(options.json ? `${JSON.stringify(summary)}\n` : describe(summary));
  return total.failures.length > 0 ? 1 : 0;
}

async function* trials(
  place: FaultPlace,
  { seeds, seconds, kills, only }: HarnessOptions,
  say: Say,
): AsyncGenerator<TrialResult> {
  if (kills !== null) {
    yield* killTrials(place, { kills, only }, say);
    return;
  }
  for (const seed of seeds) yield await seedTrial(place, seed, seconds, say);
}

interface Total {
  readonly injected: Record<string, number>;
  lost: number;
  readonly double: { honours: number; askable: number; neither: number };
  outOfOrder: number;
  different: number;
  wrongRelease: number;
  /** Seeds, or steps and kinds of destination, with anything found. */
  readonly failures: (number | string)[];
}

function emptyTotal(): Total {
  return {
    injected: {},
    lost: 0,
    double: { honours: 0, askable: 0, neither: 0 },
    outOfOrder: 0,
    different: 0,
    wrongRelease: 0,
    failures: [],
  };
}

function add(total: Total, { name, sinks, doubles, findings, injected }: TrialResult): void {
  for (const [kind, count] of injected) total.injected[kind] = (total.injected[kind] ?? 0) + count;
  for (const kind of ['honours', 'askable', 'neither'] as const)
    total.double[kind] += doubles[kind];
  for (const kind of ['lost', 'outOfOrder', 'different', 'wrongRelease'] as const) {
    total[kind] += sinks[kind];
  }
  if (findings.length > 0) total.failures.push(/^\d+$/.test(name) ? Number(name) : name);
}

function describe(summary: Total & { readonly seeds: number }): string {
  const { injected, double, failures, ...counts } = summary;
  const rows = Object.entries({
    ...counts,
    'double (honours, askable, neither)': Object.values(double).join(', '),
    ...injected,
    failures: failures.join(', ') || 'none',
  });
  return `${rows.map(([name, value]) => `${name}: ${value}`).join('\n')}\n`;
}

function readOptions(args: readonly string[]): HarnessOptions | string {
  try {
    const { values } = parseArgs({
      args: [...args],
      options: {
        seeds: { type: 'string' },
        from: { type: 'string', default: '1' },
        seed: { type: 'string' },
        seconds: { type: 'string', default: String(SECONDS) },
        kills: { type: 'string' },
        only: { type: 'string' },
        json: { type: 'boolean', default: false },
      },
    });
    const first = whole('seed', values.seed ?? values.from);
    const count = values.seed === undefined ? whole('seeds', values.seeds ?? '1') : 1;
    return {
      seeds: Array.from({ length: count }, (_, i) => first + i),
      seconds: whole('seconds', values.seconds),
      kills: values.kills === undefined ? null : whole('kills', values.kills),
      only: values.only ?? null,
      json: values.json,
    };
  } catch (error) {
    return error instanceof Error ? error.message : String(error);
  }
}

function whole(name: string, text: string): number {
  const value = Number(text);
  if (!/^\d+$/.test(text) || value < 1 || value > 1_000_000) {
    throw new Error(`--${name} ${JSON.stringify(text)}: expected a whole number from 1`);
  }
  return value;
}
