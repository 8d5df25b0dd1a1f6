import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { AttemptOutcome } from '../../src/delivery/attempt-outcome.js';
import { nextStep } from '../../src/delivery/next-step.js';
import type { ReadBackAnswer } from '../../src/delivery/read-back-answer.js';
import { judgeReadBack } from '../../src/delivery/read-back-judgement.js';
import { changeOfAsk, changeOfStep } from '../../src/delivery/step-change.js';
import { addMs, type Instant, instantFromMillis } from '../../src/formats/instant.js';
import type { DeliveryFault, DeliveryState } from '../../src/storage/tables.js';
import { TIMING } from './northquay-bench.js';

/** What the world does with one attempt: was it stored, and what do we learn. */
type World =
  | 'stored-and-answered'
  | 'stored-and-silent'
  | 'lost'
  | 'unreached'
  | 'busy'
  | 'refused';
const WORLDS: readonly World[] = [
  'stored-and-answered',
  'stored-and-silent',
  'lost',
  'unreached',
  'busy',
  'refused',
];

interface Model {
  readonly honoursKey: boolean;
  readonly askable: boolean;
  state: DeliveryState;
  fault: DeliveryFault | null;
  dueAt: Instant;
  askAt: Instant | null;
  attempts: number;
  asks: number;
  absentAsks: number;
  sentAt: Instant;
  now: Instant;
  /** Truth at the destination. */
  stored: number;
  isStopped: boolean;
  sentAfterStop: number;
}

function start(honoursKey: boolean, askable: boolean): Model {
  const now = instantFromMillis(Date.UTC(2026, 10, 25, 9));
  return {
    honoursKey,
    askable,
    state: 'due',
    fault: null,
    dueAt: now,
    askAt: null,
    attempts: 0,
    asks: 0,
    absentAsks: 0,
    sentAt: now,
    now,
    stored: 0,
    isStopped: false,
    sentAfterStop: 0,
  };
}

/** As the claim's query: known unsent, or doubtful under an honoured key and not about to be asked. */
function maySendNow(m: Model): boolean {
  if (m.state === 'due') return true;
  return m.state === 'uncertain' && m.honoursKey && m.askAt === null;
}

const OUTCOME: Record<World, AttemptOutcome> = {
  'stored-and-answered': { kind: 'accepted', reference: 'L-1' },
  'stored-and-silent': { kind: 'uncertain', detail: 'timeout' },
  lost: { kind: 'uncertain', detail: 'reset' },
  unreached: { kind: 'unavailable', detail: 'refused', retryAfterMs: null },
  busy: { kind: 'key-busy', detail: '409' },
  refused: { kind: 'rejected', detail: '400' },
};

function send(m: Model, world: World): void {
  const wasUncertain = m.state === 'uncertain';
  m.attempts += 1;
  m.absentAsks = 0;
  m.sentAt = m.now;
  if (m.isStopped) m.sentAfterStop += 1;
  if (world.startsWith('stored') && !(m.honoursKey && m.stored > 0)) m.stored += 1;
  const facts = {
    attempts: m.attempts,
    honoursKey: m.honoursKey,
    askable: m.askable,
    wasUncertain,
    wasDenied: m.fault === 'credentials',
    maySend: !m.isStopped,
  };
  const outcome = world === 'busy' && !m.honoursKey ? OUTCOME.refused : OUTCOME[world];
  const step = nextStep(facts, outcome, TIMING, m.now, 0.5);
  apply(m, changeOfStep(step, m.fault, null, m.now));
}

function ask(m: Model, isAnswered: boolean): void {
  m.asks += 1;
  const held: ReadBackAnswer =
    m.stored === 0
      ? { kind: 'absent' }
      : m.stored === 1
        ? { kind: 'one' }
        : { kind: 'several', count: m.stored, isApplied: true };
  const answer: ReadBackAnswer = isAnswered ? held : { kind: 'unavailable', detail: 'down' };
  const state = m.state === 'accepted' ? 'accepted' : 'uncertain';
  const facts = {
    state,
    sentAt: m.sentAt,
    attempts: m.attempts,
    asks: m.asks,
    absentAsks: m.absentAsks,
    maySend: !m.isStopped,
  } as const;
  const step = judgeReadBack(facts, answer, TIMING, m.now, 0.5);
  apply(m, changeOfAsk(step, { state, fault: m.fault }, m.now));
}

function apply(m: Model, change: ReturnType<typeof changeOfStep>): void {
  m.state = change.state;
  if (change.fault !== undefined) m.fault = change.fault;
  if (change.due_at !== undefined) m.dueAt = change.due_at;
  if (change.next_ask_at !== undefined) m.askAt = change.next_ask_at;
  if (change.absent_asks !== undefined) m.absentAsks = change.absent_asks;
}

const events = fc.array(
  fc.record({
    world: fc.constantFrom(...WORLDS),
    isAnswered: fc.boolean(),
    stops: fc.integer({ min: 0, max: 19 }).map((n) => n === 0),
  }),
  { minLength: 1, maxLength: 60 },
);

/** What a stop does to a *conforms* at once: unsent is cancelled, doubtful is fenced and asked about. */
function stop(m: Model): void {
  m.isStopped = true;
  if (m.state === 'due') m.state = 'cancelled';
  if (m.state === 'uncertain') m.askAt = m.now;
}

/** Runs a history: at each event what is due happens, and the clock moves on to it. */
function run(m: Model, history: readonly { world: World; isAnswered: boolean; stops: boolean }[]) {
  for (const event of history) {
    if (event.stops && !m.isStopped) stop(m);
    if (maySendNow(m)) {
      m.now = Math.max(m.now, m.dueAt) as Instant;
      send(m, event.world);
    } else if (m.askAt !== null && (m.state === 'accepted' || m.state === 'uncertain')) {
      m.now = Math.max(m.now, m.askAt) as Instant;
      ask(m, event.isAnswered);
    }
    m.now = addMs(m.now, 1);
  }
}

describe('a delivery, whatever the destination does', () => {
  it('is stored once where the key is honoured', () => {
    fc.assert(
      fc.property(events, fc.boolean(), (history, askable) => {
        const m = start(true, askable);
        run(m, history);
        expect(m.stored).toBeLessThanOrEqual(1);
      }),
      { numRuns: 500 },
    );
  });

  it('is stored once where it can only be asked and answers settle in time: never resent blindly', () => {
    fc.assert(
      fc.property(events, (history) => {
        const m = start(false, true);
        run(m, history);
        expect(m.stored).toBeLessThanOrEqual(1);
      }),
      { numRuns: 500 },
    );
  });

  it('is stored at most once and parked in doubt where neither holds', () => {
    fc.assert(
      fc.property(events, (history) => {
        const m = start(false, false);
        run(m, history);
        expect(m.stored).toBeLessThanOrEqual(1);
        if (m.stored === 1) expect(['accepted', 'parked']).toContain(m.state);
      }),
      { numRuns: 500 },
    );
  });

  // Where it cannot be asked either, the claim itself bars it: tests/delivery/stops.test.ts.
  it('is never sent after a stop, whatever is known of it', () => {
    fc.assert(
      fc.property(events, fc.boolean(), (history, honoursKey) => {
        const m = start(honoursKey, true);
        run(m, history);
        expect(m.sentAfterStop).toBe(0);
      }),
      { numRuns: 500 },
    );
  });

  it('is confirmed in the end when the destination works again and can be asked', () => {
    const works = Array.from({ length: 30 }, () => ({
      world: 'stored-and-answered' as const,
      isAnswered: true,
      stops: false,
    }));
    const troubled = fc.array(
      fc.constantFrom<World>('stored-and-silent', 'lost', 'unreached', 'stored-and-answered'),
      { maxLength: 8 },
    );
    fc.assert(
      fc.property(troubled, fc.boolean(), (worlds, honoursKey) => {
        const m = start(honoursKey, true);
        run(
          m,
          worlds.map((world) => ({ world, isAnswered: false, stops: false })),
        );
        run(m, works);
        expect(m.state).toBe('confirmed');
        expect(m.stored).toBe(1);
      }),
      { numRuns: 300 },
    );
  });
});
