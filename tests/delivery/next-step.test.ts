import { describe, expect, it } from 'vitest';
import type { AttemptOutcome } from '../../src/delivery/attempt-outcome.js';
import { type AttemptFacts, nextStep } from '../../src/delivery/next-step.js';
import { addMs, instantFromMillis } from '../../src/formats/instant.js';
import { TIMING } from './northquay-bench.js';

const NOW = instantFromMillis(Date.UTC(2026, 10, 25, 9));
const later = (ms: number) => addMs(NOW, ms);
const FIRST: AttemptFacts = {
  attempts: 1,
  honoursKey: false,
  askable: false,
  wasUncertain: false,
  wasDenied: false,
  maySend: true,
};
const UNCERTAIN: AttemptOutcome = { kind: 'uncertain', detail: 'reset' };
const UNAVAILABLE: AttemptOutcome = { kind: 'unavailable', detail: '503', retryAfterMs: null };

const step = (facts: Partial<AttemptFacts>, outcome: AttemptOutcome, jitter = 0) =>
  nextStep({ ...FIRST, ...facts }, outcome, TIMING, NOW, jitter);

describe('nextStep after an acceptance', () => {
  it('reads back once the destination has had its processing time', () => {
    const accepted = { kind: 'accepted', reference: 'L-1' } as const;
    expect(step({ askable: true }, accepted)).toEqual({
      kind: 'accept',
      reference: 'L-1',
      askAt: later(TIMING.processingMs),
    });
    expect(step({}, accepted)).toMatchObject({ kind: 'accept', askAt: null });
  });
});

describe('nextStep after a failure that processed nothing', () => {
  it('waits longer each time, up to the maximum, with half of it spread by the jitter', () => {
    const waits = [1, 2, 3, 4, 5, 9].map((attempts) => {
      const next = step({ attempts }, UNAVAILABLE, 0.999_999);
      return next.kind === 'retry' ? Math.round((next.at - NOW) / 1000) : null;
    });
    expect(waits).toEqual([200, 400, 800, 1600, 3000, 3000]);
    expect(step({}, UNAVAILABLE, 0)).toMatchObject({ kind: 'retry', at: later(100) });
  });

  it('takes the larger of Retry-After and its own wait (RFC 9110, Retry-After)', () => {
    const asked = (retryAfterMs: number): AttemptOutcome => ({ ...UNAVAILABLE, retryAfterMs });
    expect(step({}, asked(7_000))).toMatchObject({ at: later(7_000) });
    expect(step({}, asked(1))).toMatchObject({ at: later(100) });
  });

  it('parks as exhausted when the attempts are used up', () => {
    expect(step({ attempts: TIMING.attemptsMax }, UNAVAILABLE)).toEqual({
      kind: 'park',
      fault: 'exhausted',
      reason: '503',
    });
  });

  it('goes on soon, and as if it had not been tried, where the gateway itself was too late', () => {
    const postponed: AttemptOutcome = { kind: 'postponed', detail: 'late' };
    const soon = later(Math.min(TIMING.retryBaseMs, 1_000));
    const attempts = TIMING.attemptsMax;
    expect(step({ attempts }, postponed, 0.9)).toMatchObject({ kind: 'retry', at: soon });
    expect(step({ attempts, maySend: false }, postponed)).toMatchObject({ kind: 'retire' });
    const doubt = { attempts, wasUncertain: true };
    expect(step({ ...doubt, honoursKey: true, askable: true }, postponed)).toMatchObject({
      kind: 'resend',
      at: soon,
    });
    expect(step({ ...doubt, askable: true }, postponed)).toMatchObject({ kind: 'ask' });
    expect(step(doubt, postponed)).toMatchObject({ kind: 'park', fault: 'cannot-ask' });
  });

  it('retires what a stop or a later statement bars from going again', () => {
    expect(step({ maySend: false }, UNAVAILABLE)).toMatchObject({ kind: 'retire' });
  });

  it('does not forget an earlier doubt: a refused resend is still doubtful', () => {
    expect(
      step({ wasUncertain: true, askable: true, honoursKey: true }, UNAVAILABLE),
    ).toMatchObject({ kind: 'ask' });
    expect(step({ wasUncertain: true, honoursKey: true }, UNAVAILABLE)).toMatchObject({
      kind: 'resend',
    });
  });
});

describe('nextStep after a doubt', () => {
  it('resends under a key that is honoured', () => {
    expect(step({ honoursKey: true }, UNCERTAIN)).toEqual({
      kind: 'resend',
      at: later(100),
      fault: null,
    });
  });

  it('asks first where the destination can be asked and honours no key', () => {
    expect(step({ askable: true }, UNCERTAIN)).toEqual({
      kind: 'ask',
      at: later(TIMING.processingMs),
    });
  });

  it('asks on the second doubt in a row where it can do both', () => {
    const both = { honoursKey: true, askable: true };
    expect(step(both, UNCERTAIN)).toMatchObject({ kind: 'resend' });
    expect(step({ ...both, wasUncertain: true }, UNCERTAIN)).toMatchObject({ kind: 'ask' });
  });

  it('parks for a person where it can do neither', () => {
    expect(step({}, UNCERTAIN)).toEqual({ kind: 'park', fault: 'cannot-ask', reason: 'reset' });
  });

  it('never resends what is fenced, not even under the same key (rule 21)', () => {
    expect(step({ honoursKey: true, maySend: false }, UNCERTAIN)).toMatchObject({
      kind: 'park',
      fault: 'cannot-ask',
    });
    expect(step({ honoursKey: true, askable: true, maySend: false }, UNCERTAIN)).toMatchObject({
      kind: 'ask',
    });
  });

  it('stops resending when the attempts are used up', () => {
    const facts = { honoursKey: true, attempts: TIMING.attemptsMax };
    expect(step(facts, UNCERTAIN)).toMatchObject({ kind: 'park', fault: 'exhausted' });
  });
});

// Source: Idempotency-Key draft -07 and design §8.
describe('nextStep about our own key', () => {
  const busy: AttemptOutcome = { kind: 'key-busy', detail: '409' };

  it('waits on a 409, then asks; where it cannot ask it repeats the same request', () => {
    expect(step({ honoursKey: true, askable: true }, busy)).toEqual({
      kind: 'ask',
      at: later(TIMING.processingMs),
    });
    expect(step({ honoursKey: true }, busy)).toMatchObject({ kind: 'resend' });
  });

  it('parks on a 422: the key is used for other content', () => {
    const conflict: AttemptOutcome = { kind: 'key-conflict', detail: '422' };
    expect(step({ honoursKey: true, askable: true }, conflict)).toMatchObject({
      kind: 'park',
      fault: 'key-conflict',
    });
  });
});

describe('nextStep after refused credentials', () => {
  const denied: AttemptOutcome = { kind: 'credentials', detail: '401' };

  it('tries once more, then parks for a person', () => {
    expect(step({}, denied)).toEqual({ kind: 'retry', at: later(100), fault: 'credentials' });
    expect(step({ wasDenied: true, attempts: 2 }, denied)).toMatchObject({
      kind: 'park',
      fault: 'credentials',
    });
  });

  it('keeps an earlier doubt', () => {
    const facts = { wasUncertain: true, honoursKey: true };
    expect(step(facts, denied)).toMatchObject({ kind: 'resend', fault: 'credentials' });
  });
});

describe('nextStep after a refusal', () => {
  it('rejects with the destination’s words', () => {
    const rejected: AttemptOutcome = { kind: 'rejected', detail: 'status 400: lot unknown' };
    expect(step({}, rejected)).toEqual({ kind: 'reject', reason: 'status 400: lot unknown' });
  });

  it('keeps an earlier doubt: asks, or parks where nobody can be asked', () => {
    const rejected: AttemptOutcome = { kind: 'rejected', detail: 'status 403: gate closed' };
    const doubtful = { wasUncertain: true, honoursKey: true };
    expect(step({ ...doubtful, askable: true }, rejected)).toMatchObject({ kind: 'ask' });
    expect(step(doubtful, rejected)).toEqual({
      kind: 'park',
      fault: 'rejected',
      reason: 'status 403: gate closed',
    });
  });

  it('parks what we withheld ourselves as a contract fault', () => {
    const withheld: AttemptOutcome = { kind: 'withheld', detail: 'it permits release' };
    expect(step({}, withheld)).toMatchObject({ kind: 'park', fault: 'contract' });
  });
});
