import type { OfTheSame } from '../delivery/of-the-same.js';
import { type Difference, type ReadBackAnswer, unlessOurs } from '../delivery/read-back-answer.js';
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

/**
 * When the next sweep by schedule is due, and what it compares: as far back as the schedule says, and further where what lies
 * before that was not swept.
 */
export function scheduledSweep(
  schedule: SweepSchedule,
  before: {
    /** When the last one was put down, whatever became of it. */
    readonly lastAt: Instant;
    /** Until when everything was swept; null where nothing ever was to be. */
    readonly doneUntil: Instant | null;
  },
  now: Instant,
): { readonly dueAt: Instant; readonly period: SweepPeriod } {
  const lookBack = addMs(now, -schedule.lookBackHours * 3_600_000);
  return {
    dueAt: addMs(before.lastAt, schedule.everyMinutes * 60_000),
    period: { from: Math.min(lookBack, before.doneUntil ?? lookBack) as Instant, to: now },
  };
}

/**
 * Until when everything was swept, from a moment on: sweeps that were done, by whoever asked for them, each of which begins
 * before the one before it ends.
 */
export function sweptUntil(from: Instant, done: readonly SweepPeriod[]): Instant {
  let until = from;
  for (const period of [...done].sort((a, b) => a.from - b.from)) {
    if (period.from <= until && period.to > until) until = period.to;
  }
  return until;
}

export interface HeldVerdict {
  readonly verdict: SweepItemRow['verdict'];
  /** Every field that is not as it was sent. */
  readonly differences: readonly Difference[];
  readonly detail: string | null;
}

/** What else bears on what a destination shows of a delivery. */
export interface Bearing extends OfTheSame {
  /** A stop that a signed act has lifted. */
  readonly isLifted: boolean;
}

type Judged = Pick<DeliveryRow, 'state' | 'subject_kind'>;

export const EQUAL: HeldVerdict = { verdict: 'equal', differences: [], detail: null };

/**
 * What it means that a destination shows a message under the reference of a delivery. One that we never sent, or
 * that was refused there, has no business there (`unsent`); what is equal, not applied yet or overtaken by one of ours is as
 * it should be.
 *
 * @param isReplaced a later build took its place and is another record there, see `isReplacedThere`
 */
export function judgeHeld(
  delivery: Judged & Pick<DeliveryRow, 'attempts' | 'ask_since'>,
  answer: ReadBackAnswer | null,
  bearing: Bearing,
  isReplaced = false,
): HeldVerdict {
  const { state, attempts } = delivery;
  if (state === 'rejected') return unsent('the destination rejected it and shows it all the same');
  if (isReplaced) return unsent('a later build took its place, and it is there all the same');
  // After a restore it may have been sent by the life before: its read-back says so.
  if (attempts === 0 && delivery.ask_since === null && state !== 'confirmed') {
    return unsent(`it was never sent (${state}) and is there`);
  }
  if (answer === null) return unsent('it was never built and is there');
  return judgeShown(delivery, answer, bearing);
}

/**
 * What an answer shows of a delivery that is there. Confirmed means applied (rule 26): what was, and is not any more, is no
 * longer what was confirmed, unless something later of ours took its place. A confirmed stop that does not show as it was
 * sent has to be stated anew (`not-effective`, rule 21), until a later message was shown there or a signed act lifted it.
 */
export function judgeShown(
  delivery: Judged,
  answer: ReadBackAnswer,
  bearing: Bearing,
): HeldVerdict {
  const shown = judgeContent(delivery, answer, bearing);
  if (shown.verdict !== 'differs' || !isStandingStop(delivery, bearing)) return shown;
  const detail = shown.differences.map((d) => d.detail).join('; ');
  return { verdict: 'not-effective', differences: [], detail };
}

/** A stop that was shown there, and that nothing has taken the place of since. */
export function isStandingStop({ state, subject_kind: kind }: Judged, bearing: Bearing): boolean {
  const isEnded = bearing.isLaterShown || bearing.isLifted;
  return kind === 'stop' && state === 'confirmed' && !isEnded;
}

function judgeContent(delivery: Judged, answer: ReadBackAnswer, bearing: Bearing): HeldVerdict {
  const counted = unlessOurs(answer, bearing.highestSent);
  switch (counted.kind) {
    case 'differs': {
      const { detail, differences } = counted;
      return differs(differences.length > 0 ? differences : [{ field: '', detail }]);
    }
    case 'received-not-applied': {
      const { field } = counted;
      const detail = `${field}: it was applied and is not any more`;
      return needsApplied(delivery, bearing) ? differs([{ field, detail }]) : EQUAL;
    }
    case 'several': {
      const detail = `${counted.count} equal messages are held, and none is applied any more`;
      const isWanting = !counted.isApplied && needsApplied(delivery, bearing);
      return isWanting ? differs([{ field: '', detail }]) : EQUAL;
    }
    default:
      return EQUAL;
  }
}

/** What is not confirmed has a read-back of its own, and nothing rests on what a person was told. */
function needsApplied(delivery: Judged, bearing: Bearing): boolean {
  const { state, subject_kind: kind } = delivery;
  if (kind === 'stop') return isStandingStop(delivery, bearing);
  const isOvertaken = bearing.isLaterShown || bearing.isLaterUnderway;
  return state === 'confirmed' && kind !== 'stop-escalation' && !isOvertaken;
}

function differs(differences: readonly Difference[]): HeldVerdict {
  return { verdict: 'differs', differences, detail: null };
}

function unsent(detail: string): HeldVerdict {
  return { verdict: 'unsent', differences: [], detail };
}

/** How many messages of one kind were compared, and how many differ in one field. */
export interface FieldDifference {
  readonly message: SubjectKind;
  readonly field: string;
  readonly differing: number;
  readonly compared: number;
}

/** Names what differs: messages of one kind in one field. */
export function differenceKey(of: Pick<FieldDifference, 'message' | 'field'>): string {
  return `${of.message}:${of.field}`;
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
