import { describe, expect, it } from 'vitest';
import {
  BREAKER_FAILURES,
  type BreakerState,
  breakerAfter,
  breakerAt,
  CLOSED,
} from '../../src/delivery/breaker.js';
import { nextTokenAt, refilledTokens } from '../../src/delivery/token-bucket.js';
import { addMs, instantFromMillis } from '../../src/formats/instant.js';

const NOW = instantFromMillis(Date.UTC(2026, 10, 25, 9));

function afterFailures(count: number): BreakerState {
  let state = CLOSED;
  for (let i = 0; i < count; i += 1) state = breakerAfter(state, 'unavailable', 3_000, NOW);
  return state;
}

describe('the breaker', () => {
  it('opens after failures in a row and lets one probe through when its time is over', () => {
    expect(breakerAt(afterFailures(BREAKER_FAILURES - 1), NOW)).toBe('closed');
    const open = afterFailures(BREAKER_FAILURES);
    expect(breakerAt(open, NOW)).toBe('open');
    expect(breakerAt(open, addMs(NOW, 2_999))).toBe('open');
    expect(breakerAt(open, addMs(NOW, 3_000))).toBe('half-open');
  });

  it('closes on any answer given on purpose, a refusal too', () => {
    for (const kind of [
      'accepted',
      'rejected',
      'credentials',
      'key-busy',
      'key-conflict',
    ] as const) {
      expect(breakerAfter(afterFailures(9), kind, 3_000, NOW)).toEqual(CLOSED);
    }
  });

  it('opens again when the probe fails', () => {
    const later = addMs(NOW, 3_000);
    const state = breakerAfter(afterFailures(BREAKER_FAILURES), 'uncertain', 3_000, later);
    expect(breakerAt(state, addMs(later, 2_999))).toBe('open');
  });

  it('lets its probe through in time however often a stop fails meanwhile', () => {
    let state = afterFailures(BREAKER_FAILURES);
    for (let ms = 500; ms < 3_000; ms += 500) {
      state = breakerAfter(state, 'uncertain', 3_000, addMs(NOW, ms));
    }
    expect(breakerAt(state, addMs(NOW, 2_999))).toBe('open');
    expect(breakerAt(state, addMs(NOW, 3_000))).toBe('half-open');
  });

  it('takes no notice of what we withheld ourselves', () => {
    const open = afterFailures(BREAKER_FAILURES);
    expect(breakerAfter(open, 'withheld', 3_000, NOW)).toEqual(open);
    expect(breakerAfter(open, 'postponed', 3_000, NOW)).toEqual(open);
  });
});

describe('the token bucket', () => {
  it('fills at its rate, holds one second’s worth and never counts a clock that went back', () => {
    expect(refilledTokens(0, NOW, 10, addMs(NOW, 500))).toBeCloseTo(5);
    expect(refilledTokens(0, NOW, 10, addMs(NOW, 60_000))).toBe(10);
    expect(refilledTokens(3, NOW, 10, addMs(NOW, -1_000))).toBe(3);
  });

  it('names the moment of the next whole token', () => {
    expect(nextTokenAt(0.5, 10, NOW)).toBe(addMs(NOW, 50));
    expect(nextTokenAt(4, 10, NOW)).toBe(NOW);
  });

  it('lets a rate below one a second through in the end', () => {
    expect(refilledTokens(0, NOW, 0.1, addMs(NOW, 10_000))).toBe(1);
  });
});
