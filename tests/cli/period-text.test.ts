import { describe, expect, it } from 'vitest';
import { daysText } from '../../src/cli/period-text.js';

describe('the list of days', () => {
  const day = (results: { accepted: number; held: number } | null) =>
    daysText({
      days: [{ day: '2026-06-04', state: 'open', hours: 24, results, periods: [] }],
      others: [],
      next: '2026-06-04',
    });

  it('names what is held of a day beside what was accepted', () => {
    expect(day({ accepted: 0, held: 5 })).toContain('0 results accepted, 5 held');
    expect(day({ accepted: 3, held: 0 })).toContain('3 results accepted');
    expect(day({ accepted: 3, held: 0 })).not.toContain('held');
    expect(day(null)).toContain('no results');
  });
});
