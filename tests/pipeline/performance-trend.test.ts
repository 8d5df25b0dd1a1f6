import { describe, expect, it } from 'vitest';
import { addMs, parseTimestamp } from '../../src/formats/instant.js';
import { performanceTrend, worstDeviation } from '../../src/pipeline/performance-trend.js';
import type { PerformanceCheckRow } from '../../src/storage/tables.js';

const DAY_MS = 86_400_000;
const first = parseTimestamp('2026-07-01T08:00:00Z')?.instant;
if (first === undefined) throw new Error('no time');

function row(day: number, peaks: readonly (readonly [string, string, string])[]) {
  return {
    check_id: `C${day}`,
    checked_at: addMs(first as never, day * DAY_MS),
    standard: 'polystyrene',
    judgement: JSON.stringify({
      verdict: 'pass',
      by: { set: 'handheld', source: '', positions: '' },
      peaks: peaks.map(([expected, observed, distance]) => ({
        expected,
        observed,
        distance,
        tolerance: '2.5',
        warning: '1.5',
        action: '2.0',
      })),
    }),
  } as unknown as PerformanceCheckRow;
}

describe('the trend of a band', () => {
  it('is the least-squares line through its signed deviations, whatever order the checks come in', () => {
    // By hand: x 0, 1, 2 days, y 0.0, 0.8, 1.7: (-1 (-0.8333) + 1 (0.8667)) / 2 = 0.85.
    const checks = [
      row(2, [['1001.4', '1003.1', '1.7']]),
      row(0, [['1001.4', '1001.4', '0.0']]),
      row(1, [['1001.4', '1002.2', '0.8']]),
    ];
    const [band] = performanceTrend(checks);
    expect(band?.slopePerDay).toBe('0.8500');
    expect(band?.points.map((p) => p.deviation)).toEqual(['0.0', '0.8', '1.7']);
    expect(band?.points.map((p) => p.state)).toEqual(['within', 'within', 'warning']);
    expect(band?.state).toBe('warning');
  });

  it('keeps the sign, lists bands by position, and says nothing of a slope below three points', () => {
    const trend = performanceTrend([
      row(0, [
        ['1001.4', '998.8', '2.6'],
        ['620.9', '619.9', '1.0'],
      ]),
      row(1, [['620.9', '618.9', '2.0']]),
    ]);
    expect(trend.map((band) => [band.expected, band.state, band.slopePerDay])).toEqual([
      ['620.9', 'action', null],
      ['1001.4', 'out', null],
    ]);
    expect(trend[1]?.points[0]?.deviation).toBe('-2.6');
  });

  it('says how many checks in a row lie on one side of the centre, in the epoch of the latest', () => {
    const limit = { centre: '1001.6', points: 5, source: 'Invented' };
    const looked = (day: number, observed: string, epoch: number) => {
      const one = row(day, [['1001.4', observed, '0.3']]);
      const judgement = JSON.parse(one.judgement ?? '') as { peaks: object[] };
      const peaks = judgement.peaks.map((peak) => ({ ...peak, run: limit }));
      return {
        ...one,
        run_epoch: epoch,
        run_number: day,
        verdict: 'pass',
        judgement: JSON.stringify({ ...judgement, peaks }),
      } as PerformanceCheckRow;
    };
    const checks = [looked(1, '1001.7', 1), looked(2, '1001.7', 2), looked(3, '1001.8', 2)];
    expect(performanceTrend(checks)[0]?.run).toEqual({
      side: 'above',
      count: 2,
      ...limit,
      isPast: false,
    });
    expect(performanceTrend([row(0, [['1001.4', '1001.7', '0.3']])])[0]?.run).toBeNull();
  });

  it('has nothing of checks that were not judged, and no slope where all were made at once', () => {
    const unjudged = { ...row(0, []), judgement: null };
    expect(performanceTrend([unjudged])).toEqual([]);
    const at = row(0, [['620.9', '619.9', '1.0']]);
    expect(performanceTrend([at, at, at])[0]?.slopePerDay).toBeNull();
    const shift = [0, 0.2, 0.99].map((day) => row(day, [['620.9', '619.9', '1.0']]));
    expect(performanceTrend(shift)[0]?.slopePerDay).toBeNull();
  });
});

describe('the worst deviation of a check', () => {
  it('is the one that used up most of its own tolerance, with its sign', () => {
    const check = row(0, [
      ['620.9', '622.9', '2.0'],
      ['1001.4', '999.2', '2.2'],
      ['1155.3', '1155.3', '0.0'],
    ]);
    expect(worstDeviation(check)).toEqual({
      expected: '1001.4',
      deviation: '-2.2',
      tolerance: '2.5',
      state: 'action',
    });
    const wider = JSON.parse(check.judgement ?? '') as { peaks: { tolerance: string }[] };
    (wider.peaks[1] as { tolerance: string }).tolerance = '5';
    const judgement = JSON.stringify(wider);
    expect(worstDeviation({ ...check, judgement })?.expected).toBe('620.9');
    expect(worstDeviation({ ...check, judgement: null })).toBeNull();
  });
});
