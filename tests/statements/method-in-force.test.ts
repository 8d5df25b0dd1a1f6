import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { addMs, type Instant } from '../../src/formats/instant.js';
import type { MethodForce } from '../../src/site/site-folder.js';
import { evaluateStatement } from '../../src/statements/evaluate-statement.js';
import type { ResultFact, StatementFacts } from '../../src/statements/facts.js';
import { facts, now, pass, site, time, withResults, withSite } from './conforming-facts.js';

const NO_LIMITS: MethodForce = {
  effectiveFrom: null,
  retiredAt: null,
  invalidatedAt: null,
  invalidation: null,
  absent: [],
  beside: [],
};

function withForce(of: StatementFacts, force: Partial<MethodForce>): StatementFacts {
  const methods = of.site.methods.map((m) =>
    m.id === 'ID-NQ-1001' ? { ...m, force: { ...NO_LIMITS, ...m.force, ...force } } : m,
  );
  return { ...of, site: { ...of.site, methods } };
}

function verdict(of: StatementFacts): string {
  const draft = evaluateStatement(of, now);
  const open = draft.conditions.filter((c) => c.state === 'unmet' || c.state === 'contradicted');
  return [draft.outcome, ...open.map((c) => `${c.code} ${c.state}`)].join(', ');
}

function why(of: StatementFacts): string {
  const { conditions } = evaluateStatement(of, now);
  return conditions.find((c) => c.code === 'coverage')?.found ?? '';
}

describe('a statement whose method', () => {
  it('was retired after the measurements conforms all the same', () => {
    expect(verdict(withForce(facts, { retiredAt: time('09:06') }))).toBe('conforms');
  });

  it('was retired before one of them is incomplete, and says why', () => {
    const retired = withForce(facts, { retiredAt: time('09:05') });
    expect(verdict(retired)).toContain('incomplete');
    expect(verdict(retired)).toContain('methods-by-content unmet');
    expect(why(retired)).toContain('was retired at 2026-03-04T09:05:00.000000Z');
  });

  it('was in force only later is incomplete', () => {
    expect(verdict(withForce(facts, { effectiveFrom: time('09:01') }))).toContain(
      'methods-by-content unmet',
    );
  });

  it('was found wrong is incomplete, whenever it was measured', () => {
    const wrong = withForce(facts, { invalidatedAt: time('09:59') });
    expect(verdict(wrong)).toContain('methods-by-content unmet');
    expect(why(wrong)).toContain('was found wrong');
  });

  it('was approved by an approval that had ended is incomplete', () => {
    const approvals = [{ material: 'NQ-1001', decision: 'D-003', endsAt: time('09:02') }];
    const methods = site.methods.map((m) => ({ ...m, approvals }));
    expect(verdict(withSite({ methods }))).toContain('methods-by-content unmet');
  });

  it('is in doubt at the edge when the offset was assumed', () => {
    const doubtful = withResults(
      pass('D-01', { measuredSpan: { from: time('08:01'), to: time('09:20') } }),
      pass('D-02', { measuredAt: time('09:05') }),
    );
    expect(verdict(doubtful)).toBe('conforms');
    expect(verdict(withForce(doubtful, { retiredAt: time('09:15') }))).toContain('incomplete');
  });
});

/** Release-safety rule 30 with rules 3 and 11. Goods came at 08:00, everything was heard up to 09:30 here. */
describe('a time whose offset was assumed', () => {
  const heardTo = (at: string) => ({
    heardAt: new Map(site.instruments.map(({ serial }) => [serial, time(at)])),
  });
  const between = (from: string, to: string, ...further: ResultFact[]) => ({
    ...withResults(
      pass('D-01', { measuredSpan: { from: time(from), to: time(to) } }),
      pass('D-02', { measuredAt: time('09:05') }),
      ...further,
    ),
    ...heardTo('09:30'),
  });

  it('covers only what was measured after goods receipt whatever the offset was', () => {
    expect(verdict(between('08:01', '09:20'))).toBe('conforms');
    const doubtful = between('08:00', '09:20');
    expect(verdict(doubtful)).toContain('incomplete, coverage unmet');
    expect(why(doubtful)).toContain(
      'was measured at 2026-03-04T09:00:00.000000Z by an assumed offset, perhaps at 2026-03-04T08:00:00.000000Z: not certainly after goods receipt at 2026-03-04T08:00:00.000000Z',
    );
  });

  it('asks every instrument for the time up to the latest it can have been', () => {
    const late = between('08:01', '09:31');
    expect(verdict(late)).toBe('incomplete, heard-from-every-instrument unmet');
    expect(verdict({ ...late, ...heardTo('09:59') })).toBe('conforms');
  });

  it('is completed by the pass that was certainly measured first', () => {
    const certain = pass('D-01', { rowId: 'certain', measuredAt: time('09:25') });
    expect(verdict(between('08:01', '09:31', certain))).toBe('conforms');
  });
});

describe('hearing', () => {
  function hearing(of: StatementFacts): string {
    const { conditions } = evaluateStatement(of, now);
    return conditions.find((c) => c.code === 'heard-from-every-instrument')?.found ?? '';
  }
  const unheard = { ...facts, heardAt: new Map([['NQ-R-0001', time('09:30')]]) };
  const withSecond = (over: object) => ({
    ...unheard,
    site: {
      ...site,
      decisions: site.decisions.flatMap((d, i) => (i === 0 ? [d, { ...d, id: 'D-9' }] : [d])),
      instruments: site.instruments.map((i) => (i.serial === 'NQ-R-0002' ? { ...i, ...over } : i)),
    },
  });

  it('asks nothing of an instrument that was put into service later', () => {
    expect(verdict(unheard)).toContain('heard-from-every-instrument unmet');
    expect(verdict(withSecond({ inServiceSince: time('09:30') }))).toBe('conforms');
    expect(verdict(withSecond({ inServiceSince: time('09:00') }))).toContain('unmet');
  });

  it('asks an instrument that went out of service for what it did before', () => {
    const since = (from: Instant) => ({ outOfService: [{ from, to: null, decision: 'D-9' }] });
    expect(verdict(withSecond(since(time('07:00'))))).toBe('conforms');
    const meanwhile = withSecond(since(time('08:30')));
    expect(verdict(meanwhile)).toContain('heard-from-every-instrument unmet');
    const heard = new Map([...unheard.heardAt, ['NQ-R-0002', time('08:30')] as const]);
    expect(verdict({ ...meanwhile, heardAt: heard })).toBe('conforms');
    const undecided = withSecond({
      outOfService: [{ from: time('07:00'), to: null, decision: 'D-8' }],
    });
    expect(verdict(undecided)).toContain('heard-from-every-instrument unmet');
  });

  describe('an instrument that was in service by the folder before', () => {
    const known = (over: object) => ({
      service: [
        { serial: 'NQ-R-0002', area: 'east-dock', from: 0 as Instant, to: time('09:30'), ...over },
      ],
    });
    const excused = (over: object) => ({ ...withSecond(over), ...known({}) });
    const outFrom = (from: Instant, decision = 'D-9') => ({
      outOfService: [{ from, to: null, decision }],
    });

    it.each([
      ['out of service for good', { inService: false }],
      ['in service later', { inServiceSince: time('09:30') }],
      ['of another area', { area: 'west-dock' }],
    ])('is heard to when that folder ended, though it is %s by the one in force', (_what, over) => {
      expect(verdict(withSecond(over))).toBe('conforms');
      expect(verdict(excused(over))).toBe('incomplete, heard-from-every-instrument unmet');
      expect(hearing(excused(over))).toContain(
        'NQ-R-0002 was in service there until 2026-03-04T09:30:00.000000Z, and no signed decision says otherwise',
      );
      const heard = new Map([...unheard.heardAt, ['NQ-R-0002', time('09:06')] as const]);
      expect(verdict({ ...excused(over), heardAt: heard })).toBe('conforms');
    });

    it('is heard to when that folder ended also where it left the folder', () => {
      const instruments = site.instruments.filter(({ serial }) => serial !== 'NQ-R-0002');
      const gone = { ...unheard, site: { ...site, instruments }, ...known({}) };
      expect(verdict(gone)).toBe('incomplete, heard-from-every-instrument unmet');
    });

    it('is excused by a decision about when it was out of service', () => {
      const out = { inService: false, ...outFrom(time('07:00')) };
      expect(verdict(excused(out))).toBe('conforms');
      const undecided = { inService: false, ...outFrom(time('07:00'), 'D-8') };
      expect(verdict(excused(undecided))).toContain('heard-from-every-instrument unmet');
      expect(hearing(excused(undecided))).toContain('decision D-8, which the site does not have');
    });

    it('is heard to the end of that folder, and no further', () => {
      const early = { ...withSecond({ inService: false }), ...known({ to: time('08:30') }) };
      expect(verdict(early)).toContain('heard-from-every-instrument unmet');
      const heard = new Map([...unheard.heardAt, ['NQ-R-0002', time('08:30')] as const]);
      expect(verdict({ ...early, heardAt: heard })).toBe('conforms');
    });

    it('stands in for no instrument that is in service in the area now', () => {
      const instruments = site.instruments.map((i) => ({ ...i, inService: false }));
      const nobody = { ...facts, site: { ...site, instruments }, ...known({}) };
      expect(verdict(nobody)).toBe('incomplete, heard-from-every-instrument unmet');
      expect(hearing(nobody)).toBe('no instrument is in service in east-dock');
    });

    it('has nothing to do with a receipt of another time or area', () => {
      const off = withSecond({ inService: false });
      expect(verdict({ ...off, ...known({ to: time('08:00') }) })).toBe('conforms');
      expect(verdict({ ...off, ...known({ from: time('09:20') }) })).toBe('conforms');
      expect(verdict({ ...off, ...known({ area: 'west-dock' }) })).toBe('conforms');
    });
  });

  it('asks an instrument that measured the receipt, whatever its dates', () => {
    const measured = withResults(
      pass('D-01'),
      pass('D-02', { measuredAt: time('09:05'), instrument: 'NQ-R-0003' }),
    );
    expect(verdict(measured)).toContain('heard-from-every-instrument unmet');
  });
});

/** Rule 9 for the registry: no date that ends a version, and no finding that it was wrong, makes anything better. */
describe('retiring or invalidating', () => {
  const OUTCOMES = ['does-not-conform', 'incomplete', 'conforms'];
  const STATES = ['contradicted', 'unmet', 'not-evaluated', 'met'];
  const moment = fc.integer({ min: -7_200_000, max: 7_200_000 }).map((ms) => addMs(now, ms));
  const change = fc.oneof(
    moment.map((retiredAt) => ({ retiredAt })),
    moment.map((invalidatedAt) => ({ invalidatedAt })),
    moment.map((from) => ({ absent: [{ from, to: null }] })),
  );
  const results = fc.array(
    fc.record({
      rowId: fc.uuid(),
      label: fc.constantFrom('D-01', 'D-02'),
      measuredAt: moment,
      contrary: fc.boolean(),
      state: fc.constantFrom('accepted', 'held' as const),
    }),
    { maxLength: 6 },
  );

  it('never improves a statement, nor any of its conditions', () => {
    fc.assert(
      fc.property(results, fc.array(change, { minLength: 1, maxLength: 4 }), (more, changes) => {
        const some = more.map(({ label, ...r }) =>
          pass(label, { ...r, decision: r.contrary ? 'fail' : 'pass' }),
        );
        let before = withResults(...facts.results, ...some);
        for (const one of changes) {
          const force = before.site.methods.find((m) => m.id === 'ID-NQ-1001')?.force;
          const earlier = (a: Instant | null | undefined, b: Instant | undefined) =>
            b === undefined ? (a ?? null) : a ? (Math.min(a, b) as Instant) : b;
          const after = withForce(before, {
            retiredAt: earlier(force?.retiredAt, 'retiredAt' in one ? one.retiredAt : undefined),
            invalidatedAt: earlier(
              force?.invalidatedAt,
              'invalidatedAt' in one ? one.invalidatedAt : undefined,
            ),
            absent: [...(force?.absent ?? []), ...('absent' in one ? one.absent : [])],
          });
          const [was, is] = [evaluateStatement(before, now), evaluateStatement(after, now)];
          expect(OUTCOMES.indexOf(is.outcome)).toBeLessThanOrEqual(OUTCOMES.indexOf(was.outcome));
          for (const [i, c] of is.conditions.entries()) {
            const earlierState = was.conditions[i]?.state ?? 'met';
            expect(STATES.indexOf(c.state), c.code).toBeLessThanOrEqual(
              STATES.indexOf(earlierState),
            );
          }
          before = after;
        }
      }),
      { numRuns: 500 },
    );
  });
});
