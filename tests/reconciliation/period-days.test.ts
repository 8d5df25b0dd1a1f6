import { describe, expect, it } from 'vitest';
import { addMs, parseTimestamp } from '../../src/formats/instant.js';
import {
  type ClosedPeriod,
  dayAfter,
  daysBefore,
  isOneDay,
  judgeDay,
} from '../../src/reconciliation/period-days.js';

const LONDON = 'Europe/London';

function at(text: string) {
  const parsed = parseTimestamp(text);
  if (parsed === null) throw new Error(text);
  return parsed.instant;
}

function closed(from: string, to: string, more: Partial<ClosedPeriod> = {}): ClosedPeriod {
  const ends = { from: at(from), to: at(to) };
  return { id: `${from} ${to}`, signedAddenda: 0, openAddendum: null, ...ends, ...more };
}

/**
 * British Summer Time began on 2026-03-29 and ended on 2026-10-25 at 01:00 UTC (Directive 2000/84/EC and the Summer
 * Time Order 2002: last Sundays of March and October): these days have 23 and 25 hours.
 */
describe('the days of a site', () => {
  it('are 23 to 25 hours long, without a gap or an overlap between them', () => {
    const spring = daysBefore('2026-04-01', 4, LONDON);
    const autumn = daysBefore('2026-10-27', 3, LONDON);
    const hours = (days: readonly { day: string; from: number; to: number }[]) =>
      days.map((d) => [d.day, (d.to - d.from) / 3_600_000_000]);
    expect(hours(spring)).toEqual([
      ['2026-03-31', 24],
      ['2026-03-30', 24],
      ['2026-03-29', 23],
      ['2026-03-28', 24],
    ]);
    expect(hours(autumn)).toEqual([
      ['2026-10-26', 24],
      ['2026-10-25', 25],
      ['2026-10-24', 24],
    ]);
    for (const days of [spring, autumn]) {
      for (const [i, day] of days.entries()) expect(days[i + 1]?.to ?? day.from).toBe(day.from);
    }
    expect(autumn[1]?.from).toBe(at('2026-10-25T00:00:00+01:00'));
    expect(autumn[1]?.to).toBe(at('2026-10-26T00:00:00Z'));
  });

  it('begin with today, also in the last hour of the day by the wall clock', () => {
    expect(dayAfter(at('2026-10-25T23:30:00Z'), LONDON)).toBe('2026-10-26');
    expect(dayAfter(at('2026-07-01T22:59:59Z'), LONDON)).toBe('2026-07-02');
    expect(dayAfter(at('2026-07-01T23:00:00Z'), LONDON)).toBe('2026-07-03');
  });
});

describe('the state of a day', () => {
  const [sunday] = daysBefore('2026-10-26', 1, LONDON);
  if (!sunday) throw new Error('no day');
  const after = at('2026-10-26T08:00:00Z');

  it('is running until its 25th hour is over, then open', () => {
    expect(judgeDay(sunday, [], at('2026-10-25T23:30:00Z'))).toMatchObject({
      state: 'running',
      hours: 25,
    });
    expect(judgeDay(sunday, [], sunday.to).state).toBe('open');
  });

  it('is closed by a period that holds all of it, and partly by any other', () => {
    const exact = closed('2026-10-24T23:00:00Z', '2026-10-26T00:00:00Z');
    const week = closed('2026-10-18T23:00:00Z', '2026-10-26T00:00:00Z', { openAddendum: 2 });
    const short = closed('2026-10-24T23:00:00Z', '2026-10-25T23:00:00Z');
    expect(judgeDay(sunday, [exact], after)).toMatchObject({ state: 'closed', periods: [exact] });
    expect(judgeDay(sunday, [week], after)).toMatchObject({ state: 'closed', periods: [week] });
    // 24 hours of a day that has 25.
    expect(judgeDay(sunday, [short], after)).toMatchObject({ state: 'partly', periods: [short] });
    expect(
      judgeDay(sunday, [closed('2026-10-26T00:00:00Z', '2026-10-27T00:00:00Z')], after),
    ).toMatchObject({
      state: 'open',
      periods: [],
    });
  });

  it('knows a closed period that is exactly one day', () => {
    expect(isOneDay(sunday, LONDON)).toBe(true);
    expect(isOneDay({ from: sunday.from, to: addMs(sunday.from, 24 * 3_600_000) }, LONDON)).toBe(
      false,
    );
  });
});
