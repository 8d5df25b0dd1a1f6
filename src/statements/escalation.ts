import { addMs, formatInstant, type Instant } from '../formats/instant.js';
import type { StopRow } from '../storage/tables.js';

/** How soon and how often the second channel is used, as the site says. */
export interface EscalationTimes {
  /** A stop that is not effective so long after it was issued. */
  readonly afterMs: number;
  /** Again so long after the last try, until it is effective. */
  readonly repeatMs: number;
}

export interface StopToEscalate {
  readonly stop: Pick<
    StopRow,
    'id' | 'receipt_id' | 'kind' | 'reason' | 'issued_at' | 'statement_revision'
  >;
  /** Acting destinations that have not shown it. */
  readonly waitingFor: readonly string[];
  /** Of those, the ones that are paused. */
  readonly paused: readonly string[];
  /** The latest try over the second channel; null before the first. */
  readonly last: { readonly number: number; readonly at: Instant } | null;
}

/**
 * When a stop goes out over the second channel next (rule 22): at once where an acting destination is paused, else
 * when the site's time is over, and again and again until it is effective. What a clock wrote that has gone back since is due.
 */
export function escalationDueAt(
  about: StopToEscalate,
  times: EscalationTimes,
  now: Instant,
): Instant {
  const { stop, paused, last } = about;
  const waitMs = last !== null ? times.repeatMs : paused.length > 0 ? 0 : times.afterMs;
  const dueAt = addMs(last?.at ?? stop.issued_at, waitMs);
  return dueAt > addMs(now, waitMs) ? now : dueAt;
}

export function escalationWhy({ waitingFor, paused }: StopToEscalate): string {
  const names = waitingFor.join(' and ') || 'no acting destination';
  return paused.length > 0
    ? `${paused.join(' and ')} is paused; not shown by ${names}`
    : `not shown by ${names}`;
}

/** Every use has an order of its own: one that is refused holds up none after it. */
export function escalationKey(escalationId: string): string {
  return `stop-escalation:${escalationId}`;
}

const REASON_MAX = 2000;

/** The message to a person: what must not be used, why, and since when. Plain text, no secret in it. */
export function escalationMessage(
  about: StopToEscalate,
  site: { readonly title: string; readonly simulated: boolean },
  person: string,
  number: number,
): { readonly subject: string; readonly text: string } {
  const { stop } = about;
  const mark = site.simulated ? 'SIMULATED ' : '';
  const receipt = oneLine(stop.receipt_id);
  return {
    subject: `${mark}[Drumline] ${stop.kind}: receipt ${receipt} is not shown as blocked`.slice(
      0,
      200,
    ),
    text: [
      ...(site.simulated ? ['SIMULATED. Invented site and data; nobody has to act.', ''] : []),
      `To ${person}, ${site.title}`,
      '',
      `A stop (${stop.kind}) of receipt ${receipt} was issued at ${formatInstant(stop.issued_at)} and is not effective: ${escalationWhy(about)}.`,
      `Reason: ${oneLine(stop.reason).slice(0, REASON_MAX)}`,
      '',
      'Until it is, have the containers of this receipt blocked by hand, by the procedure in force.',
      `Message ${number} about stop ${stop.id}. It is repeated until the stop is effective.`,
      'Drumline reports; the quality unit releases.',
    ].join('\n'),
  };
}

function oneLine(text: string): string {
  return text.replace(/[\p{C}\p{Zl}\p{Zp}]+/gu, ' ');
}
