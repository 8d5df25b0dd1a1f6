import type { Instant } from '../formats/instant.js';
import { dayOf, neighbourDay, type Period, siteDay } from './site-day.js';

/** What a list of periods needs to know of one that is closed. */
export interface ClosedPeriod extends Period {
  readonly id: string;
  /** Signed addenda, and the number of the one that is open. */
  readonly signedAddenda: number;
  readonly openAddendum: number | null;
}

/**
 * `running`: not over yet; `open`: over and in no closed period; `closed`: all of it in one; `partly`: closed periods
 * hold some of it, so that it can be closed only as what is left of it.
 */
export type DayState = 'running' | 'open' | 'closed' | 'partly';

export interface PeriodDay extends Period {
  /** `YYYY-MM-DD` in the site's zone. */
  readonly day: string;
  /** 23 to 25, by the site's clock. */
  readonly hours: number;
  readonly state: DayState;
  /** Closed periods that share time with it, the earliest first. */
  readonly periods: readonly ClosedPeriod[];
}

const HOUR_US = 3_600_000_000;

/** Days before a day (`YYYY-MM-DD`, exclusive), the latest first, with what is closed of each. */
export function daysBefore(
  before: string,
  count: number,
  timeZone: string,
): (Period & { readonly day: string })[] {
  const days: (Period & { readonly day: string })[] = [];
  let day = before;
  for (let n = 0; n < count; n += 1) {
    day = neighbourDay(day, -1);
    const period = siteDay(day, timeZone);
    if (period === null) break;
    days.push({ day, ...period });
  }
  return days;
}

/** The day after the one that `now` falls on: where a list of days up to today begins. */
export function dayAfter(now: Instant, timeZone: string): string {
  return neighbourDay(dayOf(now, timeZone), 1);
}

export function judgeDay(
  day: Period & { readonly day: string },
  closed: readonly ClosedPeriod[],
  now: Instant,
): PeriodDay {
  const periods = closed
    .filter((p) => p.from < day.to && p.to > day.from)
    .sort((a, b) => a.from - b.from);
  return {
    ...day,
    hours: (day.to - day.from) / HOUR_US,
    state: stateOf(day, periods, now),
    periods,
  };
}

function stateOf(day: Period, periods: readonly ClosedPeriod[], now: Instant): DayState {
  if (periods.some((p) => p.from <= day.from && p.to >= day.to)) return 'closed';
  if (periods.length > 0) return 'partly';
  return day.to > now ? 'running' : 'open';
}

/** The closed period that is exactly this day is listed as the day, any other by itself. */
export function isOneDay(period: Period, timeZone: string): boolean {
  const day = siteDay(dayOf(period.from, timeZone), timeZone);
  return day !== null && day.from === period.from && day.to === period.to;
}
