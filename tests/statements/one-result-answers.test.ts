import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { evaluateStatement } from '../../src/statements/evaluate-statement.js';
import type { ResultFact, StatementFacts } from '../../src/statements/facts.js';
import { facts, now, pass, time, withResults } from './conforming-facts.js';

/** Rules 2, 3, 11, 13 and 17 ask all of one result: what each of two lacks, they do not make up for together. */

/** What keeps one pass from answering for its container. */
const LACKS: Readonly<Record<string, Partial<ResultFact>>> = {
  'its labels': { containerEntry: 'typed' },
  'its checks': { runEpoch: 7 },
  'its recheck': { recheck: 'not-recomputable' },
  'its method': { methodDigest: 'other' },
  'its environment': { environment: 'production' },
};

const whole = pass('D-02');

function evaluated(of: StatementFacts) {
  const { outcome, conditions } = evaluateStatement(of, now);
  const unmet = conditions.filter((c) => c.state !== 'met').map((c) => c.code);
  return { outcome, unmet };
}

describe('a container', () => {
  it('is not answered for by a result whose label was typed beside one that no check brackets', () => {
    const typed = pass('D-01', { rowId: 'typed', ...LACKS['its labels'] });
    const unchecked = pass('D-01', { rowId: 'unchecked', ...LACKS['its checks'] });
    const { outcome, unmet } = evaluated(withResults(typed, unchecked, whole));
    expect(outcome).toBe('incomplete');
    expect(unmet).toEqual(['performance-brackets']);
    const both = pass('D-01', { rowId: 'both' });
    expect(evaluated(withResults(typed, unchecked, both, whole)).outcome).toBe('conforms');
  });

  it('is never answered for by results of which each lacks something', () => {
    const flawed = fc.constantFrom(...Object.keys(LACKS));
    fc.assert(
      fc.property(fc.array(flawed, { minLength: 1, maxLength: 6 }), (lacks) => {
        const results = lacks.map((lack, i) => pass('D-01', { rowId: `r${i}`, ...LACKS[lack] }));
        expect(evaluated(withResults(...results, whole)).outcome).toBe('incomplete');
      }),
    );
  });

  it('is completed by the first result that answers for it, not by one before it that does not', () => {
    const late = pass('D-01', { rowId: 'late', measuredAt: time('09:20') });
    for (const lack of ['its labels', 'its checks']) {
      const early = pass('D-01', { rowId: 'early', measuredAt: time('09:00'), ...LACKS[lack] });
      const of = withResults(early, late, whole);
      expect(evaluated(of).outcome).toBe('conforms');
      const heardAt = new Map([...facts.heardAt, ['NQ-R-0002', time('09:10')] as const]);
      expect(evaluated({ ...of, heardAt }), lack).toEqual({
        outcome: 'incomplete',
        unmet: ['heard-from-every-instrument'],
      });
    }
  });

  it('waits for the delivery of the result that answers for it, whatever else is confirmed', () => {
    const typed = pass('D-01', { rowId: 'typed', ...LACKS['its labels'] });
    const answering = pass('D-01', { rowId: 'answering' });
    const of = withResults(typed, answering, whole);
    const deliveries = of.deliveries.map((d) =>
      d.resultRowId === 'answering' ? { ...d, state: 'sending' as const } : d,
    );
    expect(evaluated({ ...of, deliveries })).toEqual({
      outcome: 'incomplete',
      unmet: ['deliveries-confirmed'],
    });
  });
});
