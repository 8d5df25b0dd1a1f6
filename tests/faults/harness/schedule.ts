import { type RandomSource, seededRandom } from '../../../src/simulation/seeded-random.js';

export const STEPS = [
  'S1',
  'S2',
  'S3',
  'S4',
  'S5',
  'S6',
  'S7',
  'S8',
  'S9',
  'S10',
  'S11',
  'S12',
  'S13',
  'S14',
] as const;
export type StepName = (typeof STEPS)[number];

/** Which process a fault is meant for: the first or second of its kind, the other where there is only one. */
export interface Target {
  readonly role: 'serve' | 'work';
  readonly index: 0 | 1;
}

export const SINKS = ['erp', 'lims', 'archive'] as const;
export type SinkName = (typeof SINKS)[number];

/** Everything but kills, in the order in which neighbouring seeds take turns. */
export const KINDS = [
  'pause',
  'redis-flush',
  'sink-reset',
  'postgres-restart',
  'burst',
  'sink-store-late',
  'sink-late',
  'redis-absent',
  'clock-worker',
  'sink-reject',
  'sink-half',
  'postgres-kill-backends',
  'disk-full',
  'sink-error-document',
  'sink-hang',
  'redis-restart',
  'postgres-exhausted',
  'sink-unavailable',
  'sink-drip',
  'clock-database',
  'sink-restart',
  'postgres-half-open',
] as const;
export type FaultKind = 'kill' | (typeof KINDS)[number];

export interface Fault {
  readonly kind: FaultKind;
  /** After the load began. */
  readonly atMs: number;
  /** How long it lasts; 0 for what happens at once. */
  readonly forMs: number;
  /** Process it hits, where it hits one. */
  readonly target?: Target;
  readonly step?: StepName;
  /** The how-manieth time the step is reached. */
  readonly nth?: number;
  readonly sink?: SinkName;
  /** Every how-manieth request of the sink goes wrong. */
  readonly every?: number;
  /** What a clock is ahead by while it lasts. */
  readonly byMs?: number;
}

export interface FaultSchedule {
  readonly seed: number;
  /** How long faults are injected. */
  readonly seconds: number;
  /** Gateways that take and answer. */
  readonly gateways: 1 | 2;
  /** By the time they begin. */
  readonly faults: readonly Fault[];
}

/** Longer than the ten seconds after which a silent worker is declared dead. */
const PAUSE_MS = 10_800;
/**
 * An hour less ten seconds: the site takes measurements up to an hour ahead of its own clock, and what is
 * tested is leases and waits, not that rule.
 */
const CLOCK_STEP_MS = 3_590_000;
/** Faults besides kills, and kills, each in so many seconds. */
const SECONDS_A_FAULT = 4;
const SECONDS_A_KILL = 5;
const LEAST = 3;

/**
 * What goes wrong, and when, as a function of the seed and the time alone. Kinds and steps take turns over
 * neighbouring seeds, so that ten seeds in a row meet all of them; the rest is drawn.
 */
export function faultSchedule(seed: number, seconds: number): FaultSchedule {
  const random = seededRandom(seed);
  const endMs = seconds * 1000;
  const kinds = Math.max(LEAST, Math.round(seconds / SECONDS_A_FAULT));
  const kills = Math.max(LEAST, Math.round(seconds / SECONDS_A_KILL));
  const faults: Fault[] = [];
  for (let i = 0; i < kinds; i += 1) {
    const kind =
      i < LEAST
        ? (KINDS[(seed * LEAST + i) % KINDS.length] as (typeof KINDS)[number])
        : pick(random, KINDS);
    faults.push(drawn(kind, random, endMs));
  }
  for (let i = 0; i < kills; i += 1) {
    const step = i < 2 ? (STEPS[(seed * 2 + i) % STEPS.length] as StepName) : pick(random, STEPS);
    faults.push({
      kind: 'kill',
      atMs: between(random, 0, endMs * 0.9),
      forMs: 0,
      step,
      nth: between(random, 1, 4),
      target: { role: roleOf(step, random), index: random() < 0.5 ? 0 : 1 },
    });
  }
  faults.sort((a, b) => a.atMs - b.atMs);
  return { seed, seconds, gateways: random() < 0.5 ? 1 : 2, faults };
}

/** Steps up to the acknowledgement are a gateway's, the rest a worker's; the trail is written by both. */
function roleOf(step: StepName, random: RandomSource): Target['role'] {
  const n = Number(step.slice(1));
  if (n <= 4) return 'serve';
  return n === 14 && random() < 0.5 ? 'serve' : 'work';
}

function drawn(kind: (typeof KINDS)[number], random: RandomSource, endMs: number): Fault {
  const target: Target = {
    role: random() < 0.75 ? 'work' : 'serve',
    index: random() < 0.5 ? 0 : 1,
  };
  const sink = pick(random, SINKS);
  const every = between(random, 1, 3);
  const byMs = random() < 0.5 ? CLOCK_STEP_MS : -CLOCK_STEP_MS;
  const [shortest, longest] = LASTS[kind];
  const forMs = Math.min(between(random, shortest, longest), Math.max(shortest, endMs * 0.9));
  const atMs = between(random, 0, Math.max(0, endMs - forMs));
  switch (kind) {
    case 'pause':
    case 'postgres-half-open':
      return { kind, atMs, forMs, target };
    case 'clock-worker':
      return { kind, atMs, forMs, byMs, target: { role: 'work', index: target.index } };
    case 'clock-database':
      return { kind, atMs, forMs, byMs };
    case 'sink-reset':
    case 'sink-late':
    case 'sink-half':
    case 'sink-error-document':
    case 'sink-drip':
    case 'sink-store-late':
    case 'sink-hang':
    case 'sink-unavailable':
    case 'sink-reject':
      return { kind, atMs, forMs, sink, every };
    case 'sink-restart':
      return { kind, atMs, forMs, sink };
    default:
      return { kind, atMs, forMs };
  }
}

/** Shortest and longest, milliseconds. */
const LASTS: Readonly<Record<(typeof KINDS)[number], readonly [number, number]>> = {
  pause: [PAUSE_MS, PAUSE_MS],
  'redis-flush': [0, 0],
  'redis-restart': [0, 0],
  'redis-absent': [2000, 6000],
  'sink-reset': [2000, 6000],
  'sink-late': [2000, 6000],
  'sink-half': [2000, 6000],
  'sink-error-document': [2000, 6000],
  'sink-drip': [2000, 6000],
  'sink-store-late': [2000, 6000],
  'sink-hang': [2000, 6000],
  'sink-unavailable': [2000, 6000],
  'sink-reject': [2000, 6000],
  'sink-restart': [500, 2000],
  'postgres-restart': [0, 0],
  'postgres-kill-backends': [0, 0],
  'postgres-half-open': [0, 0],
  'postgres-exhausted': [2000, 5000],
  'disk-full': [2000, 5000],
  'clock-worker': [3000, 8000],
  'clock-database': [3000, 8000],
  burst: [1500, 3000],
};

function between(random: RandomSource, least: number, most: number): number {
  return Math.round(least + random() * (most - least));
}

function pick<T>(random: RandomSource, from: readonly T[]): T {
  return from[Math.floor(random() * from.length)] as T;
}

/** One fault in a line, for people. */
export function describeFault(fault: Fault): string {
  const { kind, atMs, forMs, target, step, nth, sink, every, byMs } = fault;
  const words = [
    `${(atMs / 1000).toFixed(1)} s`,
    kind,
    ...(target ? [`${target.role} ${target.index + 1}`] : []),
    ...(step ? [`at ${step}, time ${nth}`] : []),
    ...(sink ? [sink] : []),
    ...(every ? [`every ${every}`] : []),
    ...(byMs ? [`${byMs > 0 ? '+' : ''}${byMs / 1000} s`] : []),
    ...(forMs > 0 ? [`for ${(forMs / 1000).toFixed(1)} s`] : []),
  ];
  return words.join(' ');
}
