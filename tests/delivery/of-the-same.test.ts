import { describe, expect, it } from 'vitest';
import { ofTheSame, type Standing } from '../../src/delivery/of-the-same.js';

const of = (more: Partial<Standing>): Standing => ({
  subject_kind: 'stop',
  subject_id: 'stop-1',
  subject_revision: 2,
  seq: 2,
  state: 'confirmed',
  attempts: 1,
  ask_since: null,
  ...more,
});
const result = { subject_kind: 'result', subject_id: 'r-1', subject_revision: 1 } as const;

describe('what went to a destination about the same thing', () => {
  it.each<[string, Standing, Partial<Standing>, ReturnType<typeof ofTheSame>]>([
    [
      'a later statement that is shown, whatever its number in its own order',
      of({}),
      { subject_kind: 'statement', subject_revision: 5, seq: 1 },
      { highestSent: 5, isLaterShown: true, isLaterUnderway: false },
    ],
    [
      'a later one that is on its way',
      of({}),
      { subject_revision: 5, state: 'accepted' },
      { highestSent: 5, isLaterShown: false, isLaterUnderway: true },
    ],
    [
      'a later one that has not left',
      of({}),
      { subject_revision: 5, state: 'sending', attempts: 0 },
      { highestSent: 2, isLaterShown: false, isLaterUnderway: false },
    ],
    [
      'a later one that a life before a restore may have sent',
      of({}),
      { subject_revision: 5, state: 'uncertain', attempts: 0, ask_since: 1 as never },
      { highestSent: 5, isLaterShown: false, isLaterUnderway: true },
    ],
    [
      'an earlier one',
      of({}),
      { subject_revision: 1, seq: 9 },
      { highestSent: 2, isLaterShown: false, isLaterUnderway: false },
    ],
    [
      'the withdrawal of a result, under the same revision',
      of(result),
      { ...result, subject_kind: 'withdrawal', subject_id: 'w-1', seq: 3 },
      { highestSent: 1, isLaterShown: true, isLaterUnderway: false },
    ],
    [
      'another build of the same message',
      of(result),
      { ...result, seq: 3 },
      { highestSent: 1, isLaterShown: false, isLaterUnderway: false },
    ],
    [
      'what was refused there',
      of(result),
      { ...result, subject_revision: 2, seq: 3, state: 'rejected' },
      { highestSent: 2, isLaterShown: false, isLaterUnderway: false },
    ],
  ])('counts %s', (_what, row, other, expected) => {
    expect(ofTheSame(row, [row, of(other)])).toEqual(expected);
  });
});
