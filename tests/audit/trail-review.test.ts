import { describe, expect, it } from 'vitest';
import {
  dueRange,
  type EarlierReview,
  faultsOfSeries,
  RangeTally,
} from '../../src/audit/trail-review.js';

/** EU GMP Annex 11 (2011), 9: audit trails are reviewed regularly; from memory. */

function review(first: number, last: number, changes: Partial<EarlierReview> = {}): EarlierReview {
  const id = `${first}-${last}`;
  return {
    id,
    first,
    last,
    root: 'ab',
    findings: 'none',
    at: '2026-11-25T09:00:00Z',
    reviewer: 'account-1',
    printedName: 'Person (simulated)',
    userName: 'person',
    signatureId: `s ${id}`,
    digest: `d ${id}`,
    ...changes,
  };
}

const signatureOf = ({ id, digest, signatureId }: EarlierReview) => ({
  id: signatureId,
  subjectId: id,
  shownSha256: digest,
});

describe('the range that is due', () => {
  it.each([
    ['nothing sealed', null, 0, 0, null],
    ['no review and no checkpoint: all that is sealed', null, 7, 0, { first: 0, last: 6 }],
    ['up to the latest checkpoint', null, 9, 7, { first: 0, last: 6 }],
    ['behind the last review', { first: 0, last: 6 }, 9, 7, { first: 7, last: 8 }],
    ['one entry', { first: 0, last: 6 }, 8, 8, { first: 7, last: 7 }],
    ['nothing since the last review', { first: 3, last: 6 }, 7, 7, null],
    ['a checkpoint that covers more than is here', null, 5, 7, { first: 0, last: 4 }],
  ])('is %s', (_, latest, sealed, covered, due) => {
    expect(dueRange(latest, sealed, covered)).toEqual(due);
  });
});

describe('a series of reviews', () => {
  const series = [review(0, 4), review(5, 5), review(6, 20)];
  const signatures = series.map(signatureOf);
  const without = (n: number) => series.filter((_, i) => i !== n);

  it('has no fault when each begins behind the one before, with a signature of its own', () => {
    expect(faultsOfSeries(series, signatures)).toEqual([]);
    expect(faultsOfSeries([], [])).toEqual([]);
  });

  it('shows a gap, at the beginning and in between, and the signature of the review that is gone', () => {
    expect(faultsOfSeries(without(0), signatures)).toEqual([
      'entries 0 to 4 were reviewed by nobody',
      'a signature of the review of entries 0-4 has no review',
    ]);
    expect(faultsOfSeries(without(1), signatures)).toContain(
      'entries 5 to 5 were reviewed by nobody',
    );
    expect(faultsOfSeries(without(2), signatures)).toEqual([
      'a signature of the review of entries 6-20 has no review',
    ]);
  });

  it('shows an overlap', () => {
    const overlapping = [review(0, 4), review(3, 9)];
    expect(faultsOfSeries(overlapping, overlapping.map(signatureOf))).toEqual([
      'the review of entries 3 to 9 overlaps the one before it',
    ]);
  });

  it('shows a review with no signature, another one’s, or one of something else', () => {
    const [first = review(0, 4), second = review(5, 5)] = series;
    const fault = 'the review of entries 0 to 4 has no signature of its own';
    expect(faultsOfSeries([first], [])).toEqual([fault]);
    expect(faultsOfSeries([first], [{ ...signatureOf(first), shownSha256: 'other' }])).toEqual([
      fault,
    ]);
    const borrowed = { ...first, signatureId: second.signatureId };
    expect(faultsOfSeries([borrowed, second], [signatureOf(second)])).toEqual([fault]);
  });
});

describe('a tally', () => {
  it('counts what is in its range and nothing else', () => {
    const tally = new RangeTally({ first: 1, last: 2 });
    const entry = (sequence: number, action: string) =>
      tally.entry({
        entry: { sequence, action, actorKind: 'cli', actor: 'cli', at: `t${sequence}` } as never,
        hash: null,
      });
    entry(0, 'a');
    entry(1, 'b');
    entry(2, 'b');
    entry(3, 'c');
    expect(tally.actions).toEqual([{ name: 'b', count: 2 }]);
    expect(tally.people).toEqual([{ name: 'cli cli', count: 2 }]);
    expect(tally.span).toEqual({ from: 't1', to: 't2' });
  });
});
