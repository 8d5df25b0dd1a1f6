import { seededRandom } from './seeded-random.js';

/** What a stand-in may do wrong on purpose, in answer to one request. */
export type Misbehaviour =
  | { readonly kind: 'store-then-hang' }
  | { readonly kind: 'hang' }
  | { readonly kind: 'unavailable'; readonly retryAfterSeconds: number }
  /** Answers after a while; longer than the client waits, when that is what is wanted. */
  | { readonly kind: 'slow'; readonly ms: number }
  /** Something on the way holds the message back: it is stored after a while, whoever still waits. */
  | {
      readonly kind: 'store-late';
      readonly ms: number;
      /** The while begins when the client hangs up, or has waited for so long; left out, at once. */
      readonly clientWaitsMs?: number;
    }
  | { readonly kind: 'store-then-reset' }
  /** Stores and hangs up in the middle of its answer. */
  | { readonly kind: 'store-then-half' }
  /** Stores and answers a byte at a time. */
  | { readonly kind: 'store-then-drip'; readonly everyMs: number }
  /** Does nothing and says so in a document, but with status 200. */
  | { readonly kind: 'error-document' }
  | { readonly kind: 'reject'; readonly status: number; readonly words: string };

export type Operation = 'store' | 'ask' | 'list' | 'describe';

/** What can only be done to a message: a question that meets it is answered, and meets nothing. */
const ABOUT_MESSAGES: ReadonlySet<Misbehaviour['kind']> = new Set(['store-late', 'reject']);

/** Whether a request of this kind is answered in another way by it. */
export function concerns({ kind }: Misbehaviour, operation: Operation): boolean {
  return operation === 'store' || !ABOUT_MESSAGES.has(kind);
}

export interface IncomingRequest {
  readonly operation: Operation;
  /** Counted per operation from 1. */
  readonly ordinal: number;
  readonly body: string;
}

/** Declared faults: the ordinals of requests that are answered badly, and bodies that are rejected. */
export interface MisbehaviourSchedule {
  readonly byOrdinal: readonly {
    readonly operation: Operation;
    readonly ordinals: readonly number[];
    readonly act: Misbehaviour;
  }[];
  readonly byBody: readonly {
    readonly holds: readonly string[];
    readonly act: Misbehaviour;
  }[];
}

/** A fault that lasts until the next one is imposed: it meets every `every`th request of each kind that it concerns. */
export interface ImposedMisbehaviour {
  readonly act: Misbehaviour;
  readonly every: number;
}

export const WELL_BEHAVED: MisbehaviourSchedule = { byOrdinal: [], byBody: [] };

/** What the schedule has for this request; null for a proper answer. Rules on the body come first. */
export function misbehaviourFor(
  schedule: MisbehaviourSchedule,
  request: IncomingRequest,
): Misbehaviour | null {
  if (request.operation === 'store') {
    for (const rule of schedule.byBody) {
      if (rule.holds.every((text) => request.body.includes(text))) return rule.act;
    }
  }
  for (const rule of schedule.byOrdinal) {
    if (rule.operation === request.operation && rule.ordinals.includes(request.ordinal))
      return rule.act;
  }
  return null;
}

/** Among the first `requests` stores, about one in six goes wrong, by a seed that replays. */
export function seededSchedule(seed: number, requests: number): MisbehaviourSchedule {
  const random = seededRandom(seed);
  const stored: number[] = [];
  const hung: number[] = [];
  const unavailable: number[] = [];
  const slow: number[] = [];
  for (let ordinal = 1; ordinal <= requests; ordinal += 1) {
    const draw = random();
    if (draw < 0.04) stored.push(ordinal);
    else if (draw < 0.06) hung.push(ordinal);
    else if (draw < 0.11) unavailable.push(ordinal);
    else if (draw < 0.17) slow.push(ordinal);
  }
  return {
    byBody: [],
    byOrdinal: [
      { operation: 'store', ordinals: stored, act: { kind: 'store-then-hang' } },
      { operation: 'store', ordinals: hung, act: { kind: 'hang' } },
      {
        operation: 'store',
        ordinals: unavailable,
        act: { kind: 'unavailable', retryAfterSeconds: 1 },
      },
      { operation: 'store', ordinals: slow, act: { kind: 'slow', ms: 300 } },
    ],
  };
}
