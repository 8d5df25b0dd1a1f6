import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import type { PerformanceSettings } from '../../src/site/performance-settings.js';
import { evaluateStatement } from '../../src/statements/evaluate-statement.js';
import type { StatementFacts } from '../../src/statements/facts.js';
import { bracketOf, type CheckFact } from '../../src/statements/performance-bracket.js';
import { check, facts, now, pass, site, time, withResults } from './conforming-facts.js';

const set = (site.performance as PerformanceSettings).sets[0];
if (set === undefined) throw new Error('the facts have no tolerances');

const START = time('06:00');
const MINUTE = 60_000;

/** Run n is made n minutes after six; the measurement looked at is run 10. */
function at(run: number, verdict: CheckFact['verdict'], more: Partial<CheckFact> = {}): CheckFact {
  return check(run, { checkedAt: addMs(START, run * MINUTE), verdict, ...more });
}

function bracket(checks: readonly CheckFact[], changes: Partial<typeof set> = {}): string {
  const measured = {
    instrument: 'NQ-R-0001',
    epoch: 1,
    run: 10,
    measuredAt: addMs(START, 10 * MINUTE),
  };
  const found = bracketOf(measured, checks, { ...set, ...changes } as never, 120_000);
  return found.kind === 'closed' ? 'closed' : `${found.kind}: ${found.why}`;
}

const P = (run: number, more: Partial<CheckFact> = {}) => at(run, 'pass', more);
const F = (run: number, more: Partial<CheckFact> = {}) => at(run, 'fail', more);
const V = (run: number, more: Partial<CheckFact> = {}) => at(run, 'void', more);

const OTHER = { standard: 'cyclohexane' };
const TWO = {
  standards: ['polystyrene', 'cyclohexane'].map((standard) => ({ standard, peaks: [] })),
};

// docs/performance.md has this table; the states are those of release-safety rule 13.
describe('rule 13: the bracket of a measurement', () => {
  it.each([
    ['a pass on both sides closes it', [P(1), P(20)], {}, /^closed/],
    ['nothing after it yet leaves it open', [P(1)], {}, /^open: waits for the next/],
    ['nothing before it leaves it open', [P(20)], {}, /^open: has no passing check before/],
    ['no check at all leaves it open', [], {}, /^open/],
    ['a void check closes nothing', [P(1), V(20)], {}, /^open: waits/],
    ['a void check opens nothing', [V(1), P(20)], {}, /^open: has no/],
    ['a void check does not hide the pass behind it', [P(1), V(15), P(20)], {}, /^closed/],
    [
      'a pass older than the interval opens nothing',
      [P(1), P(20)],
      { intervalMs: 5 * MINUTE },
      /^open: was measured/,
    ],
    [
      'a pass exactly as old as the interval counts',
      [P(5), P(20)],
      { intervalMs: 5 * MINUTE },
      /^closed/,
    ],
    [
      'a pass made later by the clock opens nothing',
      [P(1, { checkedAt: time('08:00') }), P(20)],
      {},
      /^open: was measured -/,
    ],
    [
      'a pass made earlier by the clock closes nothing, whatever its run',
      [P(1), P(20, { checkedAt: addMs(START, 5 * MINUTE) })],
      {},
      /^open: waits for the next passing check; check NQ-R-0001-C20 was made before it by its time/,
    ],
    [
      'a pass made earlier by less than the clocks may be apart closes it',
      [P(1), P(20, { checkedAt: addMs(START, 8 * MINUTE) })],
      {},
      /^closed/,
    ],
    [
      'a pass behind one made earlier by the clock closes it',
      [P(1), P(20, { checkedAt: addMs(START, 5 * MINUTE) }), P(21)],
      {},
      /^closed/,
    ],
    [
      'a repeat made earlier than the measurement answers no failure',
      [
        P(1),
        F(20, { checkedAt: addMs(START, 4 * MINUTE), isCauseSigned: true }),
        P(21, { checkedAt: addMs(START, 5 * MINUTE) }),
      ],
      {},
      /^suspended: check NQ-R-0001-C20 after it failed$/,
    ],
    [
      'a failure behind one made earlier by the clock suspends it',
      [P(1), P(20, { checkedAt: addMs(START, 5 * MINUTE) }), F(21)],
      {},
      /^suspended/,
    ],
    [
      'a pass made before a failure by the clock answers it for nothing that came behind, whatever its run',
      [P(1), F(5), P(6, { checkedAt: addMs(START, 2 * MINUTE) }), P(20)],
      {},
      /^suspended: was measured after check NQ-R-0001-C5 failed$/,
    ],
    [
      'a pass made before a failure by less than the clocks may be apart answers it',
      [P(1), F(5), P(6, { checkedAt: addMs(START, 3 * MINUTE) }), P(20)],
      {},
      /^closed/,
    ],
    [
      'a pass behind one made before a failure by the clock answers it',
      [P(1), F(5), P(6, { checkedAt: addMs(START, 2 * MINUTE) }), P(7), P(20)],
      {},
      /^closed/,
    ],
    ['a pass of another epoch closes nothing', [P(1), P(20, { epoch: 2 })], {}, /^open: waits/],
    [
      'a pass of another instrument closes nothing',
      [P(1), P(20, { instrument: 'NQ-R-0002' })],
      {},
      /^open: waits/,
    ],
    [
      'a first failure suspends it',
      [P(1), F(20)],
      {},
      /^suspended: check NQ-R-0001-C20 after it failed$/,
    ],
    [
      'a failure further on does not, once a pass came between',
      [P(1), P(20), F(30)],
      {},
      /^closed/,
    ],
    ['a repeat that fails too withdraws it', [P(1), F(20), F(21)], {}, /^withdrawn/],
    [
      'and stays so whatever passes later',
      [P(1), F(20, { isCauseSigned: true }), F(21), P(22)],
      {},
      /^withdrawn/,
    ],
    [
      'a repeat that passes lifts nothing by itself',
      [P(1), F(20), P(21)],
      {},
      /^suspended: .*nobody signed its cause/,
    ],
    [
      'with the signed cause it closes',
      [P(1), F(20, { isCauseSigned: true }), P(21)],
      {},
      /^closed/,
    ],
    [
      'a signed cause without a pass is nothing yet',
      [P(1), F(20, { isCauseSigned: true })],
      {},
      /^suspended/,
    ],
    [
      'a repeat past the time allowed lifts nothing',
      [P(1), F(20, { isCauseSigned: true }), P(90)],
      {},
      /^suspended: .*70 min later, 60 min allowed/,
    ],
    [
      'a repeat at the last minute allowed does',
      [P(1), F(20, { isCauseSigned: true }), P(80)],
      {},
      /^closed/,
    ],
    [
      'a repeat too many lifts nothing',
      [P(1), F(20, { isCauseSigned: true }), V(21), P(22)],
      {},
      /^suspended: .*at repeat 2, 1 allowed/,
    ],
    [
      'unless the site allows it',
      [P(1), F(20, { isCauseSigned: true }), V(21), P(22)],
      { repeats: { max: 2, withinMs: 3_600_000 } },
      /^closed/,
    ],
    [
      'a copy of the repeat in a held bundle is no repeat of its own',
      [P(1), F(20, { isCauseSigned: true }), P(21), V(21, { checkId: 'copy' })],
      {},
      /^closed/,
    ],
    [
      'no repeat at all may be allowed',
      [P(1), F(20, { isCauseSigned: true }), P(21)],
      { repeats: { max: 0, withinMs: 3_600_000 } },
      /^suspended/,
    ],
    [
      'measured after a failure it is suspended for good',
      [P(1), F(5, { isCauseSigned: true }), P(20)],
      {},
      /^suspended: was measured after/,
    ],
    ['measured between two failures it is withdrawn', [P(1), F(5), F(20)], {}, /^withdrawn/],
    ['measured after two failures it is withdrawn', [P(1), F(5), F(6), P(20)], {}, /^withdrawn/],
    ['and before the next check too', [P(1), F(5), F(6)], {}, /^withdrawn/],
    [
      'measured after a pass that answered a failure it is not',
      [P(1), F(5), P(6), P(20)],
      {},
      /^closed/,
    ],
    [
      'a failure on a standard that the tolerances do not name suspends it too',
      [P(1), F(15, OTHER), P(20)],
      {},
      /^suspended/,
    ],
    ['a later one does not', [P(1), P(20), F(25, OTHER)], {}, /^closed/],
    ['of two standards both must pass behind it', [P(1), P(2, OTHER), P(20)], TWO, /^open: waits/],
    [
      'of two standards both must have passed before it',
      [P(1), P(20), P(21, OTHER)],
      TWO,
      /^open: has no/,
    ],
    [
      'two standards that passed on both sides close it',
      [P(1), P(2, OTHER), P(20), P(21, OTHER)],
      TWO,
      /^closed/,
    ],
    [
      'a failure of one of two suspends it',
      [P(1), P(2, OTHER), P(20), F(21, OTHER)],
      TWO,
      /^suspended/,
    ],
    [
      'and the other one’s pass does not answer it',
      [P(1), P(2, OTHER), F(20, { ...OTHER, isCauseSigned: true }), P(21)],
      TWO,
      /^suspended/,
    ],
    [
      'one failure of each is a first failure of each',
      [P(1), P(2, OTHER), F(20), F(21, OTHER)],
      TWO,
      /^suspended/,
    ],
    [
      'of two checks that claim one run the failed one counts',
      [P(1), P(20), F(20, { checkId: 'other' })],
      {},
      /^suspended/,
    ],
    ['the same failed check taken in twice is one failure', [P(1), F(20), F(20)], {}, /^suspended/],
  ] as const)('%s', (_what, checks, changes, expected) => {
    expect(bracket(checks, changes as never)).toMatch(expected);
  });
});

const RANK = ['closed', 'open', 'suspended', 'withdrawn'];
const rankOf = (found: string) => RANK.findIndex((kind) => found.startsWith(kind));

const someChecks = fc.uniqueArray(
  fc
    .record({
      run: fc.integer({ min: 1, max: 30 }),
      verdict: fc.constantFrom('pass', 'pass', 'fail', 'void' as const),
      standard: fc.constantFrom('polystyrene', 'polystyrene', 'cyclohexane'),
      isCauseSigned: fc.boolean(),
      early: fc.constantFrom(0, 0, 0, 25),
    })
    .map(({ run, verdict, early, ...more }) => {
      const checkedAt = addMs(START, (run - early) * MINUTE);
      return at(run, verdict, { ...more, checkId: `C${run}`, checkedAt });
    }),
  { selector: (c) => c.run, minLength: 3, maxLength: 16 },
);

describe('rule 13, over all histories', () => {
  it('is the same in whatever order the checks became known', () => {
    fc.assert(
      fc.property(
        someChecks.chain((checks) =>
          fc.tuple(fc.constant(checks), fc.shuffledSubarray(checks, { minLength: checks.length })),
        ),
        ([checks, shuffled]) => {
          expect(bracket(shuffled)).toBe(bracket(checks));
        },
      ),
      { numRuns: 1000 },
    );
  });

  it('one more failed check never makes it better (rule 9)', () => {
    let worse = 0;
    fc.assert(
      fc.property(
        someChecks,
        fc.integer({ min: 1, max: 30 }),
        fc.constantFrom('polystyrene', 'cyclohexane', 'naphthalene'),
        (checks, run, standard) => {
          for (const changes of [{}, TWO]) {
            const before = rankOf(bracket(checks, changes as never));
            const more = [...checks, F(run, { standard, checkId: 'new' })];
            const after = rankOf(bracket(more, changes as never));
            expect(after).toBeGreaterThanOrEqual(before);
            if (after > before) worse += 1;
          }
        },
      ),
      { numRuns: 5000 },
    );
    expect(worse).toBeGreaterThan(100);
  });

  it('closes only between two passes on every standard with no failure unanswered around it', () => {
    let closed = 0;
    fc.assert(
      fc.property(someChecks, (checks) => {
        if (bracket(checks, TWO as never) !== 'closed') return;
        closed += 1;
        const judged = checks.filter((c) => c.verdict !== 'void').sort((a, b) => a.run - b.run);
        for (const standard of ['polystyrene', 'cyclohexane']) {
          const own = judged.filter((c) => c.standard === standard);
          const last = own.filter((c) => c.run <= 10).at(-1);
          const next = own.find((c) => c.run > 10);
          expect(last?.verdict).toBe('pass');
          expect(next).toBeDefined();
          if (next?.verdict === 'fail') {
            expect(next.isCauseSigned).toBe(true);
            expect(own.find((c) => c.run > next.run)?.verdict).toBe('pass');
          }
        }
      }),
      { numRuns: 5000 },
    );
    expect(closed).toBeGreaterThan(20);
  });
});

function brackets(of: StatementFacts): string {
  const draft = evaluateStatement(of, now);
  const found = draft.conditions.find((c) => c.code === 'performance-brackets');
  return `${draft.outcome}, ${found?.state}: ${found?.found}`;
}

function checked(...checks: readonly CheckFact[]): StatementFacts {
  const others = facts.checks.filter((c) => c.instrument !== 'NQ-R-0001');
  return { ...facts, checks: [...others, check(1, { checkedAt: time('06:00') }), ...checks] };
}

describe('the condition performance-brackets', () => {
  it('is met when every required container has a pass between two passing checks, and names them', () => {
    expect(brackets(facts)).toMatch(/^conforms, met/);
    const { conditions } = evaluateStatement(facts, now);
    expect(conditions.find((c) => c.code === 'performance-brackets')?.evidence).toEqual([
      { kind: 'performance-check', id: 'NQ-R-0001-C1' },
      { kind: 'performance-check', id: 'NQ-R-0001-C100' },
    ]);
  });

  it('waits for the next check, is in doubt by a failed one, and contradicted by two', () => {
    const failed = { verdict: 'fail' } as const;
    expect(brackets(checked())).toMatch(/^incomplete, unmet: .*waits for the next/);
    expect(brackets(checked(check(50, failed)))).toMatch(/^incomplete, unmet: .*failed/);
    expect(brackets(checked(check(50, failed), check(51, failed)))).toMatch(
      /^does-not-conform, contradicted: .*is withdrawn/,
    );
  });

  it('is answered for a container by a pass on another instrument, and says what does not count', () => {
    const failed = { verdict: 'fail' } as const;
    const again = withResults(
      ...facts.results,
      ...['D-01', 'D-02'].map((label) =>
        pass(label, { rowId: `again-${label}`, instrument: 'NQ-R-0002' }),
      ),
    );
    const { checks } = checked(check(50, failed), check(51, failed));
    expect(brackets({ ...again, checks })).toMatch(/^conforms, met: .*does not count: .*withdrawn/);
    // A failing drum is contrary whatever became of its instrument.
    const contrary = { ...again.results[0], decision: 'fail' as const, contrary: true };
    const results = [contrary as (typeof again.results)[number], ...again.results.slice(1)];
    expect(brackets({ ...again, results, checks })).toMatch(/^does-not-conform/);
  });

  it.each([
    ['without an instrument', { instrument: null }],
    ['without a run', { runNumber: null }],
    ['without an epoch', { runEpoch: null }],
    ['without a time', { measuredAt: null }],
    ['of an instrument that no tolerances name', { instrument: 'unregistered' }],
  ])('is never met by a pass %s', (_what, changes) => {
    expect(brackets(withResults(pass('D-01'), pass('D-02', changes)))).toMatch(
      /^incomplete, unmet/,
    );
  });

  it('is never met by a pass whose assumed offset leaves open which tolerances were in force', () => {
    const settings = site.performance as PerformanceSettings;
    const [first] = settings.sets;
    if (first === undefined) throw new Error('there are no tolerances');
    const sets = [first, { ...first, id: 'later', from: time('09:15') }];
    const changed = (to: string) => {
      const measuredSpan = { from: time('08:01'), to: time(to) };
      const doubtful = withResults(pass('D-01', { measuredSpan }), pass('D-02'));
      return { ...doubtful, site: { ...site, performance: { ...settings, sets } } };
    };
    expect(brackets(changed('09:14'))).toMatch(/^conforms, met/);
    expect(brackets(changed('09:15'))).toMatch(/^incomplete, unmet: .*assumed offset/);
  });

  it('is never met vacuously', () => {
    expect(brackets({ ...facts, containers: [] })).toMatch(/^incomplete, unmet: no container/);
    expect(brackets(withResults())).toMatch(/^incomplete, unmet/);
    expect(brackets({ ...facts, checks: [] })).toMatch(/^incomplete, unmet/);
  });

  it('is not evaluated where the site has written nothing down', () => {
    const unjudged = { ...facts, site: { ...site, performance: null } };
    expect(brackets(unjudged)).toMatch(/^conforms, not-evaluated/);
    const production = { ...unjudged, site: { ...unjudged.site, environment: 'production' } };
    expect(brackets(production as StatementFacts)).toMatch(/^incomplete, not-evaluated/);
  });
});
