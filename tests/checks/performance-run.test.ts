import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { JudgedPeak } from '../../src/checks/judge-performance.js';
import { type BandPoint, bandPoints, runOfBand } from '../../src/checks/performance-run.js';
import { dec } from './fixture.js';

// The rule: so many points in a row on one side of the centre line of a Shewhart chart. Eight in the Western Electric
// handbook of 1956, as the NIST/SEMATECH e-Handbook 6.3.2 gives it (compared with the documentation of several
// statistics packages); nine by Nelson, Journal of Quality Technology 16 (1984) 237.
const EIGHT = { points: 8, source: 'Western Electric, 1956 (NIST/SEMATECH e-Handbook, 6.3.2)' };
const CENTRE = '1001.6';

function point(run: number, observed: string, over: Partial<BandPoint> = {}): BandPoint {
  const peak = {
    expected: dec('1001.4'),
    observed: dec(observed),
    run: { ...EIGHT, centre: dec(CENTRE) },
  } as JudgedPeak;
  return { standard: 'polystyrene', run, set: 'handheld', peak, ...over };
}

const OBSERVED = { A: '1001.61', B: '1001.59', O: '1001.60' } as const;
const points = (sides: string) =>
  [...sides].map((side, i) => point(i + 1, OBSERVED[side as keyof typeof OBSERVED]));

describe('a run on one side of the centre', () => {
  it.each([
    ['AAAAAAA', 'above', 7, false],
    ['AAAAAAAA', 'above', 8, true],
    ['BBBBBBBBB', 'below', 9, true],
    ['AAAAAAAB', 'below', 1, false],
    ['AAAOAAAAAAA', 'above', 7, false],
    ['BBBAAAAAAAA', 'above', 8, true],
  ] as const)('of %s is %s for %i', (sides, side, count, isPast) => {
    expect(runOfBand(points(sides))).toEqual({
      side,
      count,
      isPast,
      centre: CENTRE,
      ...EIGHT,
    });
  });

  it('is as long as the text of its sides ends, whatever order the checks come in', () => {
    const sides = fc.stringMatching(/^[ABO]{1,30}$/);
    fc.assert(
      fc.property(sides, fc.infiniteStream(fc.nat()), (text, order) => {
        const shuffled = points(text)
          .map((p) => [order.next().value, p] as const)
          .sort(([a], [b]) => a - b)
          .map(([, p]) => p);
        const end = /(A+|B+)$/.exec(text)?.[0] ?? '';
        expect(runOfBand(shuffled)?.count ?? 0).toBe(end.length);
      }),
    );
  });

  it('begins anew with other tolerances, and is none where the site sets no limit', () => {
    const moved = points('AAAAAAAAAA').map((p) => (p.run <= 4 ? { ...p, set: 'before' } : p));
    expect(runOfBand(moved)?.count).toBe(6);
    const { run: _, ...peak } = point(1, '1009').peak;
    expect(runOfBand([{ ...point(1, '1009'), peak }])).toBeNull();
    expect(runOfBand([])).toBeNull();
  });

  it('counts no check that is void', () => {
    const by = { set: 'handheld', source: '', positions: '' };
    const judgement = { verdict: 'pass', by, peaks: [point(1, '1002').peak], found: [] } as const;
    const check = { standard: 'polystyrene', run: 1 };
    expect(bandPoints({ ...check, verdict: 'pass' }, judgement)).toHaveLength(1);
    expect(bandPoints({ ...check, verdict: 'fail' }, judgement)).toHaveLength(1);
    expect(bandPoints({ ...check, verdict: 'void' }, judgement)).toEqual([]);
    expect(bandPoints({ ...check, verdict: 'pass' }, null)).toEqual([]);
  });
});
