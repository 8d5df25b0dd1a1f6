import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { Signature } from '../../src/signatures/signature.js';
import { evaluateStatement } from '../../src/statements/evaluate-statement.js';
import type { StatementFacts, StopFact } from '../../src/statements/facts.js';
import { isLiftOf } from '../../src/statements/lift-signature.js';
import { stopInForce } from '../../src/statements/standing-conditions.js';
import { liftDocument, liftOption, type StopLiftCase } from '../../src/statements/stop-lift.js';
import { signed } from '../signatures/signed.js';
import { facts, fail, now, time, withResults } from './conforming-facts.js';

/** Release-safety rules 9 and 20: only a signed act that names a stop lifts it. */

const stop: StopFact = {
  stopId: 's1',
  kind: 'suspend',
  reason: 'doubt',
  issuedAt: time('09:40'),
  statementRevision: 2,
  effectiveAt: time('09:41'),
  lift: null,
};

function caseOf(known: StatementFacts, stops: readonly StopFact[] = [stop]): StopLiftCase {
  return {
    receiptId: 'R-1',
    standing: stopInForce(stops),
    open: stops,
    without: evaluateStatement({ ...known, stops: [] }, now),
    acting: ['erp'],
  };
}

function lifting(about: StopLiftCase, changes: Partial<Signature> = {}): Signature {
  return signed({ meaning: 'lifted', ...changes }, liftDocument(about));
}

describe('a stop may be lifted', () => {
  it('when it is effective and nothing contradicts the receipt, complete or not', () => {
    expect(liftOption(caseOf(facts))).toMatchObject({ possible: true });
    const incomplete = liftOption(caseOf({ ...facts, heardAt: new Map() }));
    expect(incomplete.possible).toBe(true);
    expect(incomplete.effects.join()).toContain('still missing: heard-from-every-instrument');
  });

  it('not while a contrary result stands, nor before every acting destination has shown it', () => {
    const contrary = withResults(...facts.results, fail('D-01'));
    expect(liftOption(caseOf(contrary)).because.join()).toContain(
      'no-contrary-result is contradicted',
    );
    const unseen = { ...stop, effectiveAt: null };
    expect(liftOption(caseOf(facts, [unseen])).because.join()).toContain(
      'erp has not shown it yet',
    );
    expect(liftOption(caseOf(facts, [])).because).toEqual(['no stop is in force']);
  });
});

describe('a signature lifts', () => {
  it('the stops it names, and no other', () => {
    const signature = lifting(caseOf(facts));
    expect(isLiftOf(signature, 's1')).toBe(true);
    expect(isLiftOf(signature, 's2')).toBe(false);
    expect(isLiftOf(undefined, 's1')).toBe(false);
  });

  it('nothing when it was made for something else or altered afterwards', () => {
    const good = lifting(caseOf(facts));
    expect(isLiftOf(lifting(caseOf(facts), { meaning: 'approved' }), 's1')).toBe(false);
    expect(isLiftOf({ ...good, reason: 'another' }, 's1')).toBe(false);
    expect(isLiftOf({ ...good, shown: good.shown.replaceAll('"s1"', '"s2"') }, 's2')).toBe(false);
  });
});

describe('rule 20: the latch', () => {
  const kinds = fc.constantFrom('suspend' as const, 'withdraw' as const);
  const lifts = fc.constantFrom(null, false, true);

  it('holds over every history: without a valid lift of each stop no statement conforms', () => {
    let lifted = 0;
    fc.assert(
      fc.property(fc.array(fc.tuple(kinds, lifts), { minLength: 1, maxLength: 6 }), (history) => {
        const stops = history.map(([kind, isValid], i): StopFact => {
          const lift =
            isValid === null
              ? null
              : { signatureId: `l${i}`, isValid, investigation: 'INV-1', revision: 9 };
          return { ...stop, stopId: `s${i}`, kind, statementRevision: 2 + i, lift };
        });
        const all = stops.every((s) => s.lift?.isValid);
        if (all) lifted += 1;
        const { outcome } = evaluateStatement({ ...facts, stops }, now);
        expect(outcome === 'conforms').toBe(all);
      }),
    );
    expect(lifted).toBeGreaterThan(0);
  });
});
