import type { ReadBackAnswer } from '../delivery/read-back-answer.js';
import { addMs, type Instant } from '../formats/instant.js';
import type { DestinationTiming, SweepSchedule } from '../site/site-folder.js';
import type { DeliveryRow, SubjectKind, SweepItemRow } from '../storage/tables.js';

/**
 * Clocks of destinations are not ours, and what was doubtful may have arrived long before it was confirmed: so
 * much beyond the period is listed that its edges hide nothing. Who is still missed is asked for by itself.
 */
const EDGE_MS = 600_000;

export interface SweepPeriod {
  readonly from: Instant;
  readonly to: Instant;
}

/** The longest from the sending of a message to the moment at which the destination shows it. */
export function visibleAfterMs({ deadlineMs, processingMs, settleMs }: DestinationTiming): number {
  return deadlineMs + processingMs + settleMs;
}

/**
 * The part of a period that can be compared: what was accepted so lately that it may not be visible yet never
 * counts as absent. Null when nothing is left.
 */
export function comparablePeriod(
  asked: SweepPeriod,
  timing: DestinationTiming,
  now: Instant,
): SweepPeriod | null {
  const settled = addMs(now, -visibleAfterMs(timing));
  const to = Math.min(asked.to, settled) as Instant;
  return asked.from < to ? { from: asked.from, to } : null;
}

/** What is listed for it. */
export function listedPeriod({ from, to }: SweepPeriod): SweepPeriod {
  return { from: Math.max(0, addMs(from, -EDGE_MS)) as Instant, to: addMs(to, EDGE_MS) };
}

/** When the next sweep by schedule is due, and what it compares. */
export function scheduledSweep(
  schedule: SweepSchedule,
  lastAt: Instant,
  now: Instant,
): { readonly dueAt: Instant; readonly period: SweepPeriod } {
  return {
    dueAt: addMs(lastAt, schedule.everyMinutes * 60_000),
    period: { from: addMs(now, -schedule.lookBackHours * 3_600_000), to: now },
  };
}

export interface HeldVerdict {
  readonly verdict: SweepItemRow['verdict'];
  readonly field: string | null;
  readonly detail: string | null;
}

/**
 * What it means that a destination shows a message under the reference of a delivery. One that we never sent, or
 * that was refused there, has no business there (`unsent`); what is equal, not applied yet or overtaken is as it
 * should be.
 */
export function judgeHeld(
  delivery: Pick<DeliveryRow, 'state' | 'attempts' | 'ask_since'>,
  answer: ReadBackAnswer | null,
): HeldVerdict {
  const { state, attempts } = delivery;
  if (state === 'rejected') return unsent('the destination rejected it and shows it all the same');
  // After a restore it may have been sent by the life before: its read-back says so.
  if (attempts === 0 && delivery.ask_since === null && state !== 'confirmed') {
    return unsent(`it was never sent (${state}) and is there`);
  }
  if (answer === null) return unsent('it was never built and is there');
  return answer.kind === 'differs'
    ? { verdict: 'differs', field: answer.field, detail: answer.detail }
    : { verdict: 'equal', field: null, detail: null };
}

function unsent(detail: string): HeldVerdict {
  return { verdict: 'unsent', field: null, detail };
}

/** How many messages of one kind were compared, and how many differ in one field. */
export interface FieldDifference {
  readonly message: SubjectKind;
  readonly field: string;
  readonly differing: number;
  readonly compared: number;
}

const SYSTEMATIC_MIN = 5;
const SYSTEMATIC_SHARE = 0.2;

/**
 * True when so many records differ in the same field that the cause is the destination, not the records: one
 * event of the destination that holds new *conforms* there, and not a stop for each (rule 20).
 */
export function isSystematic({ differing, compared }: FieldDifference): boolean {
  return differing >= SYSTEMATIC_MIN && differing >= compared * SYSTEMATIC_SHARE;
}

/** True when a sweep may take a token: sends come first, so it takes what they leave (low priority). */
export function mayTakeToken(bucket: {
  readonly tokens: number;
  readonly ratePerSecond: number;
  readonly isBusy: boolean;
}): boolean {
  const capacity = Math.max(1, bucket.ratePerSecond);
  if (bucket.tokens < 1) return false;
  return !bucket.isBusy || bucket.tokens - 1 >= capacity / 2;
}

const FAILURE_WAIT_MS = 1_000;
/** The longest that a sweep waits for its next request. */
export const FAILURE_WAIT_MS_MAX = 60_000;
/** About three quarters of an hour of waiting. */
const FAILURES_MAX = 50;

/** After a request that brought nothing: when the next is made, or null when the sweep is given up. */
export function afterFailure(failures: number, cause: string, now: Instant): Instant | null {
  // What a restore waits for is never given up.
  if (failures >= FAILURES_MAX && cause !== 'recovery') return null;
  return addMs(now, Math.min(FAILURE_WAIT_MS_MAX, FAILURE_WAIT_MS * 2 ** Math.min(failures, 10)));
}
