import type { DiscrepancyClass } from '../storage/tables.js';
import { DISCREPANCY_RULES } from './discrepancies.js';
import type { DiscrepancyFilter } from './discrepancy-filter.js';
import { PAGE_MAX, type PageCursor, readCursor } from './page-cursor.js';
import { siteDay } from './site-day.js';

/** What a list of discrepancies is asked by, as an address carries it. */
export type QueryFields = Readonly<Record<string, string | undefined>>;

export interface DiscrepancyQuery {
  readonly filter: DiscrepancyFilter;
  readonly after: PageCursor | null;
  readonly limit: number;
}

const FIELDS = [
  'state',
  'class',
  'destination',
  'fault',
  'instrument',
  'receipt',
  'day',
  'cursor',
  'limit',
];
const TEXT_LENGTH_MAX = 200;

/** Reads what was asked; a text names the field and the rule that it breaks. */
export function readDiscrepancyQuery(
  fields: QueryFields,
  timeZone: string,
): DiscrepancyQuery | string {
  const unknown = Object.keys(fields).find((name) => !FIELDS.includes(name));
  if (unknown !== undefined) return `${unknown}: expected one of ${FIELDS.join(', ')}`;
  const long = Object.entries(fields).find(
    ([name, text]) => name !== 'cursor' && (text ?? '').length > TEXT_LENGTH_MAX,
  );
  if (long) return `${long[0]}: expected ${TEXT_LENGTH_MAX} characters at most`;
  const state = readState(fields['state'], fields['day'], timeZone);
  if (typeof state === 'string' && state !== 'open' && state !== 'closed') return state;
  const name = fields['class'];
  if (name !== undefined && !Object.hasOwn(DISCREPANCY_RULES, name)) {
    return `class: expected one of ${Object.keys(DISCREPANCY_RULES).join(', ')}`;
  }
  const limit = Number(fields['limit'] ?? PAGE_MAX);
  if (!Number.isInteger(limit) || limit < 1 || limit > PAGE_MAX) {
    return `limit: expected a whole number from 1 to ${PAGE_MAX}`;
  }
  const after = fields['cursor'] === undefined ? null : readCursor(fields['cursor']);
  if (after === null && fields['cursor'] !== undefined) {
    return 'cursor: expected the one of the page before';
  }
  return {
    filter: {
      state,
      ...(name === undefined ? {} : { class: name as DiscrepancyClass }),
      ...given('destination', fields),
      ...given('fault', fields),
      ...given('instrument', fields),
      ...given('receipt', fields),
    },
    after,
    limit,
  };
}

function given<K extends string>(name: K, fields: QueryFields): { [P in K]?: string } {
  const text = fields[name];
  return text === undefined ? {} : ({ [name]: text } as { [P in K]?: string });
}

function readState(
  text: string | undefined,
  day: string | undefined,
  timeZone: string,
): DiscrepancyFilter['state'] | string {
  if (day !== undefined) {
    if (text !== undefined) return 'state: not together with day, which asks for its end';
    const period = siteDay(day, timeZone);
    return period === null ? 'day: expected a calendar day, YYYY-MM-DD' : { openAt: period.to };
  }
  if (text === undefined || text === 'open' || text === 'closed') return text ?? 'open';
  return 'state: expected open or closed';
}
