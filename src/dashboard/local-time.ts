import { formatInstant, type Instant, msBetween, parseTimestamp } from '../formats/instant.js';
import type { MomentView } from './day-view.js';

/** An instant as the site's clock on the wall shows it, e.g. `2026-03-04 10:15:30 UTC+01:00`. */
export function moment(instant: Instant, timeZone: string): MomentView {
  const parts = new Map(
    new Intl.DateTimeFormat('en-GB', {
      timeZone,
      year: 'numeric',
      month: '2-digit',
      day: '2-digit',
      hour: '2-digit',
      minute: '2-digit',
      second: '2-digit',
      hourCycle: 'h23',
      timeZoneName: 'longOffset',
    })
      .formatToParts(new Date(Math.floor(instant / 1000)))
      .map((part) => [part.type, part.value]),
  );
  const part = (type: Intl.DateTimeFormatPartTypes): string => parts.get(type) ?? '';
  const offset = part('timeZoneName').replace('GMT', 'UTC');
  const day = `${part('year')}-${part('month')}-${part('day')}`;
  const time = `${part('hour')}:${part('minute')}:${part('second')}`;
  return { iso: formatInstant(instant), text: `${day} ${time} ${offset}` };
}

/** The same for a timestamp kept as text in a record; text that is no timestamp is shown as it is. */
export function momentOf(text: string, timeZone: string): MomentView {
  const parsed = parseTimestamp(text);
  return parsed === null ? { iso: text, text } : moment(parsed.instant, timeZone);
}

/** How long something has been open, in the largest unit that says enough: `3 d 4 h`, `12 min`. */
export function ageText(from: Instant, now: Instant): string {
  const seconds = Math.max(0, Math.floor(msBetween(from, now) / 1000));
  if (seconds < 60) return `${seconds} s`;
  const minutes = Math.floor(seconds / 60);
  if (minutes < 60) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 24) return `${hours} h ${minutes % 60} min`;
  return `${Math.floor(hours / 24)} d ${hours % 24} h`;
}
