import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  CLAIM_MAX,
  type ClaimCandidate,
  chooseClaims,
  claimsOf,
  type Gate,
} from '../../src/delivery/claim-policy.js';
import { type Instant, instantFromMillis } from '../../src/formats/instant.js';

const DUE = instantFromMillis(Date.UTC(2026, 10, 25, 9));
const OPEN: Gate = {
  isPaused: false,
  breaker: 'closed',
  inFlight: 0,
  inFlightMax: 8,
  tokens: 100,
  hasFailingStop: false,
};

function candidate(id: string, more: Partial<ClaimCandidate> = {}): ClaimCandidate {
  return {
    id,
    orderingKey: `result:${id}`,
    seq: 1,
    dueAt: DUE,
    isContrary: false,
    isConforms: false,
    aheadInKey: 0,
    aheadInReceipt: 0,
    isCurrent: true,
    ...more,
  };
}

const ids = (candidates: readonly ClaimCandidate[], gate: Partial<Gate> = {}) =>
  chooseClaims(candidates, { ...OPEN, ...gate }).map((c) => c.id);

describe('chooseClaims', () => {
  it('lets contrary results pass waiting passes (rule 29)', () => {
    const later = (DUE + 1) as Instant;
    expect(ids([candidate('pass'), candidate('fail', { isContrary: true, dueAt: later })])).toEqual(
      ['fail', 'pass'],
    );
  });

  it('never takes two of one key, and none that waits behind another', () => {
    const one = candidate('one', { orderingKey: 'k', seq: 1 });
    const two = candidate('two', { orderingKey: 'k', seq: 2 });
    expect(ids([two, one])).toEqual(['one']);
    expect(ids([candidate('behind', { aheadInKey: 1 }), candidate('free')])).toEqual(['free']);
  });

  it('holds a conforms behind its receipt’s results, and only a conforms', () => {
    const waiting = { aheadInReceipt: 1 };
    expect(ids([candidate('conforms', { ...waiting, isConforms: true })])).toEqual([]);
    expect(ids([candidate('incomplete', waiting)])).toEqual(['incomplete']);
  });

  it('never takes a conforms that is no longer current (rule 21)', () => {
    expect(ids([candidate('old', { isConforms: true, isCurrent: false })])).toEqual([]);
  });

  it('lets no conforms leave while a stop fails here, everything else goes on (rule 22)', () => {
    const both = [candidate('conforms', { isConforms: true }), candidate('result')];
    expect(ids(both, { hasFailingStop: true })).toEqual(['result']);
  });

  it.each([
    ['paused', { isPaused: true }, 0],
    ['an open breaker', { breaker: 'open' }, 0],
    ['a half-open breaker', { breaker: 'half-open' }, 1],
    ['a probe in flight', { breaker: 'half-open', inFlight: 1 }, 0],
    ['three tokens and a half', { tokens: 3.5 }, 3],
    ['no whole token', { tokens: 0.9 }, 0],
    ['six in flight', { inFlight: 6 }, 2],
    ['more in flight than allowed', { inFlight: 9 }, 0],
    ['nothing in the way', { inFlightMax: 500 }, CLAIM_MAX],
  ] as const)('takes as many as fit: %s', (_, gate, expected) => {
    const many = Array.from({ length: CLAIM_MAX + 20 }, (_unused, i) => candidate(`d${i}`));
    expect(ids(many, gate)).toHaveLength(expected);
  });

  it('is made of everything that was seen, in its order, and waits for few receipts', () => {
    const seen = fc.array(fc.constantFrom({ barrier: 0 } as const, { barrier: 1 } as const), {
      maxLength: 300,
    });
    fc.assert(
      fc.property(seen, (all) => {
        const claims = claimsOf(all);
        expect(claims.flat()).toEqual(all);
        for (const [index, claim] of claims.entries()) {
          const conforms = claim.filter(({ barrier }) => barrier === 1).length;
          expect(claim.length).toBeLessThanOrEqual(CLAIM_MAX);
          expect(conforms).toBeLessThanOrEqual(8);
          // No more claims than it takes: each waits for the one before.
          const isLast = index === claims.length - 1;
          expect(isLast || claim.length === CLAIM_MAX || conforms === 8).toBe(true);
        }
      }),
    );
  });

  it('holds these rules for any candidates in any order', () => {
    const any = fc.record({
      id: fc.uuid(),
      orderingKey: fc.constantFrom('a', 'b', 'c'),
      seq: fc.nat(5),
      dueAt: fc.nat(5).map((n) => (DUE + n) as Instant),
      isContrary: fc.boolean(),
      isConforms: fc.boolean(),
      aheadInKey: fc.nat(1),
      aheadInReceipt: fc.nat(1),
      isCurrent: fc.boolean(),
    });
    fc.assert(
      fc.property(fc.array(any, { maxLength: 30 }), fc.nat(10), (candidates, inFlight) => {
        const chosen = chooseClaims(candidates, { ...OPEN, inFlight });
        expect(chosen.length).toBeLessThanOrEqual(Math.max(0, 8 - inFlight));
        expect(new Set(chosen.map((c) => c.orderingKey)).size).toBe(chosen.length);
        for (const one of chosen) {
          expect(one.aheadInKey).toBe(0);
          if (one.isConforms) expect(one.isCurrent && one.aheadInReceipt === 0).toBe(true);
        }
      }),
    );
  });
});
