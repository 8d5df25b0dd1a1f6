import type { StoredMessage } from './books.js';

/** What a stand-in is asked to list: by time of arrival, from inclusive, to exclusive. */
export interface HeldQuery {
  readonly from?: string;
  readonly to?: string;
  readonly limit?: string;
  /** Number of the last message of the page before. */
  readonly after?: string;
}

const LIMIT_MAX = 200;

export interface HeldPage {
  readonly messages: readonly StoredMessage[];
  /** '' after the last page. */
  readonly next: string;
}

/** One page of what a stand-in holds, in the order of its numbers. */
export function heldPage(messages: readonly StoredMessage[], query: HeldQuery): HeldPage {
  const from = Date.parse(query.from ?? '1970-01-01T00:00:00Z');
  const to = Date.parse(query.to ?? '9999-01-01T00:00:00Z');
  const limit = Math.min(Number(query.limit ?? LIMIT_MAX), LIMIT_MAX);
  const after = query.after ?? '';
  const found = messages
    .filter((m) => m.number > after)
    .filter((m) => Date.parse(m.arrivedAt) >= from && Date.parse(m.arrivedAt) < to)
    .sort((a, b) => (a.number < b.number ? -1 : 1));
  const page = found.slice(0, limit);
  return { messages: page, next: found.length > page.length ? (page.at(-1)?.number ?? '') : '' };
}

/** What a stand-in says of itself, and the record it keeps to be looked at. */
export interface SelfDescription {
  name: string;
  version: string;
  environment: string;
  canary: { decision: string; score: string };
}

export function selfDescription(name: string, environment: string): SelfDescription {
  return {
    name,
    version: '1.0',
    environment,
    canary: { decision: 'PASSED', score: '0.9876' },
  };
}
