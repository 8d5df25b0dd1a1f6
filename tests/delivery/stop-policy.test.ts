import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { AttemptOutcome } from '../../src/delivery/attempt-outcome.js';
import type { AttemptFacts } from '../../src/delivery/next-step.js';
import type { ReadBackAnswer } from '../../src/delivery/read-back-answer.js';
import type { AskFacts } from '../../src/delivery/read-back-judgement.js';
import {
  judgeStopReadBack,
  nextStopStep,
  RESTORE_PAUSE,
  STOP_RETRY_MAX_MS,
  stopReadBackAt,
  stopsMayLeave,
} from '../../src/delivery/stop-policy.js';
import { addMs, instantFromMillis } from '../../src/formats/instant.js';
import { TIMING } from './northquay-bench.js';

const NOW = instantFromMillis(Date.UTC(2026, 10, 25, 9));
const FACTS: AttemptFacts = {
  attempts: 40,
  honoursKey: false,
  askable: true,
  wasUncertain: false,
  wasDenied: true,
  maySend: false,
};
const SLOW = { ...TIMING, retryBaseMs: 60_000, retryMaxMs: 3_600_000 };

const OUTCOMES: readonly AttemptOutcome[] = [
  { kind: 'unavailable', detail: '503', retryAfterMs: 900_000 },
  { kind: 'postponed', detail: 'late' },
  { kind: 'uncertain', detail: 'reset' },
  { kind: 'key-busy', detail: '409' },
  { kind: 'key-conflict', detail: '422' },
  { kind: 'credentials', detail: '401' },
  { kind: 'rejected', detail: '400' },
  { kind: 'withheld', detail: 'permits' },
];

// Source: release-safety rules 21 and 22, design §8 "Stop".
describe('nextStopStep', () => {
  it('never gives up, and never waits longer than thirty seconds', () => {
    fc.assert(
      fc.property(
        fc.constantFrom(...OUTCOMES),
        fc.record({
          attempts: fc.integer({ min: 1, max: 10_000 }),
          honoursKey: fc.boolean(),
          askable: fc.boolean(),
          wasUncertain: fc.boolean(),
          wasDenied: fc.boolean(),
          maySend: fc.boolean(),
        }),
        fc.double({ min: 0, max: 0.999, noNaN: true }),
        (outcome, facts, jitter) => {
          const step = nextStopStep(facts, outcome, SLOW, NOW, jitter);
          expect(['retry', 'resend', 'ask']).toContain(step.kind);
          if ('at' in step) expect(step.at).toBeLessThanOrEqual(addMs(NOW, STOP_RETRY_MAX_MS));
        },
      ),
    );
  });

  it.each([
    ['rejected', 'rejected'],
    ['key-conflict', 'key-conflict'],
    ['credentials', 'credentials'],
    ['withheld', 'contract'],
  ] as const)('names %s as a fault while it goes on', (kind, fault) => {
    const outcome = OUTCOMES.find((o) => o.kind === kind);
    if (outcome === undefined) throw new Error('no such outcome');
    expect(nextStopStep(FACTS, outcome, TIMING, NOW, 0)).toMatchObject({ kind: 'retry', fault });
  });
});

describe('stopsMayLeave', () => {
  it('holds stops only after a restore (rule 28)', () => {
    expect(stopsMayLeave({ paused: 0, pause_reason: null })).toBe(true);
    expect(stopsMayLeave({ paused: 1, pause_reason: 'maintenance' })).toBe(true);
    expect(stopsMayLeave({ paused: 1, pause_reason: RESTORE_PAUSE })).toBe(false);
  });
});

describe('stopReadBackAt', () => {
  it('lies past the deadline of a conforms in flight and the processing time', () => {
    const recent = addMs(NOW, -100);
    expect(stopReadBackAt(recent, TIMING, NOW)).toBe(
      addMs(recent, TIMING.deadlineMs + TIMING.processingMs),
    );
    expect(stopReadBackAt(null, TIMING, NOW)).toBe(addMs(NOW, TIMING.processingMs));
    expect(stopReadBackAt(addMs(NOW, -60_000), TIMING, NOW)).toBe(addMs(NOW, TIMING.processingMs));
  });
});

describe('judgeStopReadBack', () => {
  const facts: AskFacts = {
    state: 'accepted',
    sentAt: NOW,
    attempts: 1,
    asks: 1,
    absentAsks: 0,
    maySend: false,
  };
  const countsFrom = addMs(NOW, 5_000);
  const judge = (answer: ReadBackAnswer, at: number, more: Partial<AskFacts> = {}) =>
    judgeStopReadBack({ ...facts, ...more }, answer, countsFrom, TIMING, addMs(NOW, at), 0);

  it('counts as effective only once no conforms can arrive after it', () => {
    expect(judge({ kind: 'one' }, 4_999)).toMatchObject({ kind: 'wait', at: countsFrom });
    expect(judge({ kind: 'one' }, 5_000)).toMatchObject({ kind: 'confirm' });
  });

  it('is not effective when something else is held, or it is not applied', () => {
    const differs: ReadBackAnswer = {
      kind: 'differs',
      detail: '/usage: expected BLOCK',
      differences: [],
    };
    expect(judge(differs, 6_000)).toMatchObject({ kind: 'wait', fault: 'not-effective' });
    expect(
      judge({ kind: 'received-not-applied', field: '/applied', later: null }, 6_000),
    ).toMatchObject({
      kind: 'wait',
      fault: 'not-effective',
    });
  });

  it('is sent again at once when it does not show and was never accepted (rule 21: it repeats until it shows)', () => {
    const doubtful = { state: 'uncertain' } as const;
    // Long before an absence would count for anything else: the deadline of the first one is not over.
    const atOnce = { kind: 'resend', at: addMs(NOW, 1) };
    expect(judge({ kind: 'absent' }, 1, doubtful)).toMatchObject(atOnce);
    expect(judge({ kind: 'unavailable', detail: 'down' }, 1, doubtful)).toMatchObject(atOnce);
    // Also behind hours of refusals in which nothing was in doubt.
    expect(judge({ kind: 'absent' }, 1, { ...doubtful, attempts: 400 })).toMatchObject(atOnce);
  });

  it('backs off up to thirty seconds once it was asked about in vain again and again', () => {
    const waits = (asks: number, timing: typeof TIMING, jitter: number) => {
      const doubtful: AskFacts = { ...facts, state: 'uncertain', asks, attempts: asks };
      const step = judgeStopReadBack(doubtful, { kind: 'absent' }, NOW, timing, NOW, jitter);
      if (step.kind !== 'resend') throw new Error(`a stop repeats, and here it is ${step.kind}`);
      return (step.at - NOW) / 1_000;
    };
    const patient = { ...TIMING, retryBaseMs: 200, retryMaxMs: 3_600_000 };
    expect([1, 2, 3, 4, 5, 6].map((asks) => waits(asks, patient, 0))).toEqual([
      0, 0, 100, 200, 400, 800,
    ]);
    expect(waits(5_000, patient, 0)).toBe(STOP_RETRY_MAX_MS / 2);
    expect(waits(5_000, patient, 0.999)).toBeLessThanOrEqual(STOP_RETRY_MAX_MS);
    expect(waits(5_000, TIMING, 0)).toBe(TIMING.retryMaxMs / 2);
  });

  it('is not effective when it was accepted and is known to be absent: the used key brings the old answer', () => {
    expect(judge({ kind: 'absent' }, 6_000)).toMatchObject({ kind: 'wait', absentAsks: 1 });
    expect(judge({ kind: 'absent' }, 6_000, { absentAsks: 1 })).toMatchObject({
      kind: 'wait',
      fault: 'not-effective',
    });
  });

  it('asks again within thirty seconds, however often it asked', () => {
    const answers: ReadBackAnswer[] = [
      { kind: 'unavailable', detail: 'down' },
      { kind: 'received-not-applied', field: '/applied', later: null },
      { kind: 'differs', detail: 'x', differences: [] },
      { kind: 'absent' },
    ];
    for (const answer of answers) {
      const step = judgeStopReadBack({ ...facts, asks: 5_000 }, answer, NOW, SLOW, NOW, 0.999);
      if (step.kind === 'wait') expect(step.at).toBeLessThanOrEqual(addMs(NOW, STOP_RETRY_MAX_MS));
      else expect(step.kind).toBe('resend');
    }
  });
});
