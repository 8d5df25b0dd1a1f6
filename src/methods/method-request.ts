import { type Instant, parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { METHOD_ACTS, type MethodAct } from './method-act.js';

export interface MethodActRequest {
  readonly act: MethodAct;
  /** Of a retirement: first instant the version is not in force any more. */
  readonly at: Instant | null;
  /** SHA-256 of the document that was shown. */
  readonly shownSha256: string;
  readonly reason: string;
}

/**
 * @throws Problem `query-invalid` when it is none.
 */
export function readAct(text: string): MethodAct {
  const act = METHOD_ACTS.find((one) => one === text);
  if (act !== undefined) return act;
  throw new Problem('query-invalid', `act: expected ${METHOD_ACTS.join(', ')}`);
}

/**
 * The instant of a retirement; null for the other acts, which have none.
 *
 * @throws Problem `query-invalid` when it is missing or unreadable.
 */
export function readActInstant(act: MethodAct, at: unknown): Instant | null {
  if (act !== 'retire') return null;
  const read = typeof at === 'string' ? parseTimestamp(at) : null;
  if (read !== null) return read.instant;
  throw new Problem(
    'query-invalid',
    'at: expected the first instant it is not in force any more, such as 2026-03-04T12:00:00Z',
  );
}
