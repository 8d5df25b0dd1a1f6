import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { Decimal } from '../../src/formats/decimal.js';
import { addMs, type Instant, instantFromMillis } from '../../src/formats/instant.js';
import {
  afterFailure,
  comparablePeriod,
  isSystematic,
  judgeHeld,
  listedPeriod,
  mayTakeToken,
  scheduledSweep,
  sweptUntil,
} from '../../src/reconciliation/sweep-rules.js';
import { TIMING } from '../delivery/northquay-bench.js';

const NOW = instantFromMillis(Date.UTC(2026, 10, 25, 12));
const settledAt = addMs(NOW, -(TIMING.deadlineMs + TIMING.processingMs + TIMING.settleMs));

describe('the period that a sweep compares', () => {
  it('never reaches what may still be on its way or not visible yet', () => {
    fc.assert(
      fc.property(fc.integer({ min: -9e6, max: 9e6 }), fc.integer({ min: 1, max: 9e6 }), (a, n) => {
        const from = addMs(NOW, a);
        const period = comparablePeriod({ from, to: addMs(from, n) }, TIMING, NOW);
        if (period === null) return from >= settledAt;
        return period.from === from && period.from < period.to && period.to <= settledAt;
      }),
    );
  });

  it('lists beyond both of its edges, since clocks there are not ours', () => {
    const period = { from: addMs(NOW, -3_600_000), to: settledAt };
    const listed = listedPeriod(period);
    expect(listed.from).toBeLessThan(period.from);
    expect(listed.to).toBeGreaterThan(period.to);
    expect(listedPeriod({ from: 0 as Instant, to: NOW }).from).toBe(0);
  });

  it('follows the schedule from the last one, whatever became of that', () => {
    const schedule = { everyMinutes: 60, lookBackHours: 48 };
    const now = addMs(NOW, 3_600_000);
    const { dueAt, period } = scheduledSweep(schedule, { lastAt: NOW, doneUntil: NOW }, now);
    expect(dueAt).toBe(addMs(NOW, 3_600_000));
    expect(period.to - period.from).toBe(48 * 3_600_000_000);
  });

  it('leaves out nothing since the last one that was done, however long ago that was', () => {
    const schedule = { everyMinutes: 60, lookBackHours: 24 };
    const doneUntil = addMs(NOW, -72 * 3_600_000);
    const { period } = scheduledSweep(schedule, { lastAt: NOW, doneUntil }, NOW);
    expect(period).toEqual({ from: doneUntil, to: NOW });
    const first = scheduledSweep(schedule, { lastAt: NOW, doneUntil: null }, NOW);
    expect(first.period.from).toBe(addMs(NOW, -24 * 3_600_000));
  });

  it('goes on behind sweeps that follow on each other, and behind none that leaves a gap', () => {
    const at = (hour: number) => addMs(NOW, hour * 3_600_000);
    const period = (from: number, to: number) => ({ from: at(from), to: at(to) });
    expect(sweptUntil(at(0), [])).toBe(at(0));
    expect(sweptUntil(at(0), [period(4, 9), period(-2, 3), period(3, 5)])).toBe(at(9));
    expect(sweptUntil(at(0), [period(-2, 3), period(4, 9), period(-9, 1)])).toBe(at(3));
  });
});

describe('a message under the reference of a delivery', () => {
  const sent = {
    state: 'confirmed',
    attempts: 1,
    ask_since: null,
    subject_kind: 'result',
  } as const;
  const stop = { ...sent, subject_kind: 'stop' } as const;
  const alone = {
    highestSent: 3,
    isLaterShown: false,
    isLaterUnderway: false,
    isLifted: false,
  };
  const notApplied = { kind: 'received-not-applied', field: '/applied', later: null } as const;
  const overtaken = (revision: string) =>
    ({ kind: 'overtaken', later: { field: '/rev', revision: revision as Decimal } }) as const;
  const other = {
    kind: 'differs',
    detail: 'x',
    differences: [{ field: '/Score', detail: 'x' }],
  } as const;

  it.each([
    ['equal', sent, { kind: 'one' }, 'equal'],
    ['another', sent, other, 'differs'],
    ['a stop that says something else', stop, other, 'not-effective'],
    ['there, though rejected', { ...sent, state: 'rejected' }, { kind: 'one' }, 'unsent'],
    [
      'there, though cancelled before it was sent',
      { ...sent, state: 'cancelled', attempts: 0 },
      { kind: 'one' },
      'unsent',
    ],
    [
      'there, sent perhaps by the life before a restore',
      { ...sent, state: 'due', attempts: 0, ask_since: NOW },
      { kind: 'one' },
      'equal',
    ],
    ['overtaken by one of ours', sent, overtaken('3'), 'equal'],
    ['overtaken by nothing of ours', sent, overtaken('4'), 'differs'],
    ['a stop overtaken by nothing of ours', stop, overtaken('4'), 'not-effective'],
    [
      'overtaken by nothing of ours, which waits there',
      sent,
      { ...notApplied, later: overtaken('4').later },
      'differs',
    ],
    ['accepted and not applied yet', { ...sent, state: 'accepted' }, notApplied, 'equal'],
    ['confirmed and not applied any more', sent, notApplied, 'differs'],
    ['a confirmed stop, not applied any more', stop, notApplied, 'not-effective'],
    [
      'what a person was told, and was settled since',
      { ...sent, subject_kind: 'stop-escalation' },
      notApplied,
      'equal',
    ],
    [
      'several of a confirmed stop, none applied',
      stop,
      { kind: 'several', count: 2, isApplied: false },
      'not-effective',
    ],
  ] as const)('is %s', (_what, delivery, answer, verdict) => {
    expect(judgeHeld(delivery, answer, alone).verdict).toBe(verdict);
  });

  it.each([
    ['a result', sent, { isLaterShown: true }, 'equal'],
    ['a result', sent, { isLaterUnderway: true }, 'equal'],
    ['a stop', stop, { isLaterShown: true }, 'equal'],
    ['a stop', stop, { isLifted: true }, 'equal'],
    // What may never be applied there takes no stop's place.
    ['a stop', stop, { isLaterUnderway: true }, 'not-effective'],
  ] as const)('need not be applied any more, %s with %o', (_what, delivery, more, verdict) => {
    expect(judgeHeld(delivery, notApplied, { ...alone, ...more }).verdict).toBe(verdict);
  });

  it('names every field that differs, and the one that says what is applied', () => {
    const two = [
      { field: '/a', detail: 'a' },
      { field: '/b', detail: 'b' },
    ];
    const many = { kind: 'differs', detail: 'a', differences: two } as const;
    expect(judgeHeld(sent, many, alone).differences).toEqual(two);
    expect(judgeHeld(sent, notApplied, alone).differences).toEqual([
      { field: '/applied', detail: '/applied: it was applied and is not any more' },
    ]);
  });
});

describe('a difference that records share', () => {
  const of = (differing: number, compared: number) =>
    isSystematic({ message: 'result', field: '/Score', differing, compared });

  it('is the destination’s own from five records and a fifth of all on', () => {
    expect(of(4, 4)).toBe(false);
    expect(of(5, 25)).toBe(true);
    expect(of(5, 26)).toBe(false);
    expect(of(1000, 1000)).toBe(true);
  });
});

describe('a token for a sweep', () => {
  it('is one that deliveries leave: none below half a bucket while something is due', () => {
    expect(mayTakeToken({ tokens: 0.9, ratePerSecond: 10, isBusy: false })).toBe(false);
    expect(mayTakeToken({ tokens: 1, ratePerSecond: 10, isBusy: false })).toBe(true);
    expect(mayTakeToken({ tokens: 5.9, ratePerSecond: 10, isBusy: true })).toBe(false);
    expect(mayTakeToken({ tokens: 6, ratePerSecond: 10, isBusy: true })).toBe(true);
    expect(mayTakeToken({ tokens: 1, ratePerSecond: 0.5, isBusy: true })).toBe(false);
  });
});

describe('a request that brought nothing', () => {
  it('is made again ever later, and given up in the end unless a restore waits for it', () => {
    const waits = [1, 2, 3].map((n) => (afterFailure(n, 'schedule', NOW) ?? NOW) - NOW);
    expect(waits).toEqual([2_000_000, 4_000_000, 8_000_000]);
    expect((afterFailure(49, 'schedule', NOW) ?? NOW) - NOW).toBe(60_000_000);
    expect(afterFailure(50, 'schedule', NOW)).toBeNull();
    expect(afterFailure(5_000, 'recovery', NOW)).not.toBeNull();
  });
});
