import { describe, expect, it } from 'vitest';
import { standingOf } from '../../src/delivery/delivery-standing.js';
import type { Instant } from '../../src/formats/instant.js';

const TIMING = { deadlineMs: 1_000, settleMs: 2_000, absentAsks: 2 };

/** Attempts as `send outcome` or `ask outcome`, so many seconds after the first. */
function standing(attempts: readonly [number, 'send' | 'ask', string | null][], since?: number) {
  return standingOf(
    attempts.map(([seconds, kind, outcome]) => ({ kind, outcome, started_at: at(seconds) })),
    TIMING,
    since === undefined ? null : at(since),
  );
}

function at(seconds: number): Instant {
  return (seconds * 1_000_000) as Instant;
}

describe('what the attempts of a delivery tell', () => {
  it('is that nothing is there while none was made, reached it, or was read', () => {
    expect(standing([])).toBe('never-there');
    for (const outcome of ['unavailable', 'postponed', 'credentials', 'withheld']) {
      expect(standing([[0, 'send', outcome]])).toBe('never-there');
    }
  });

  it('is a refusal only when no earlier send is in doubt', () => {
    expect(standing([[0, 'send', 'rejected']])).toBe('refused');
    expect(
      standing([
        [0, 'send', 'uncertain'],
        [5, 'send', 'rejected'],
      ]),
    ).toBe('doubtful');
  });

  it('is a doubt after every end that may follow a commit, also one that nobody wrote', () => {
    for (const outcome of ['uncertain', 'accepted', 'key-busy', 'key-conflict', 'lost', null]) {
      expect(standing([[0, 'send', outcome]])).toBe('doubtful');
    }
  });

  it('is an absence only past the deadline and the settling time, and so many times in a row', () => {
    const sent = [0, 'send', 'uncertain'] as [number, 'send', string];
    expect(standing([sent, [1, 'ask', 'absent'], [2, 'ask', 'absent']])).toBe('doubtful');
    expect(standing([sent, [3, 'ask', 'absent']])).toBe('doubtful');
    expect(standing([sent, [3, 'ask', 'absent'], [4, 'ask', 'absent']])).toBe('absent');
    expect(
      standing([sent, [3, 'ask', 'absent'], [4, 'ask', 'unavailable'], [5, 'ask', 'absent']]),
    ).toBe('doubtful');
  });

  it('is a doubt again after the next send, whatever was absent before', () => {
    expect(
      standing([
        [0, 'send', 'uncertain'],
        [3, 'ask', 'absent'],
        [4, 'ask', 'absent'],
        [5, 'send', 'uncertain'],
      ]),
    ).toBe('doubtful');
  });

  it('is that something was shown until it is absent again', () => {
    const held: [number, 'send' | 'ask', string][] = [
      [0, 'send', 'uncertain'],
      [3, 'ask', 'differs'],
    ];
    expect(standing(held)).toBe('shown');
    expect(standing([...held, [4, 'send', 'rejected']])).toBe('shown');
    expect(standing([...held, [4, 'ask', 'absent'], [5, 'ask', 'absent']])).toBe('absent');
  });

  it('takes a key that other content has for a doubt, and after an absence for a refusal', () => {
    expect(
      standing([
        [0, 'send', 'key-conflict'],
        [3, 'ask', 'absent'],
        [4, 'ask', 'absent'],
        [5, 'send', 'key-conflict'],
      ]),
    ).not.toBe('doubtful');
  });

  it('is a doubt for what another life of the database may have sent, until it is absent after that', () => {
    expect(standing([], 10)).toBe('doubtful');
    expect(standing([[0, 'send', 'rejected']], 10)).toBe('doubtful');
    expect(
      standing(
        [
          [11, 'ask', 'absent'],
          [12, 'ask', 'absent'],
        ],
        10,
      ),
    ).toBe('doubtful');
    expect(
      standing(
        [
          [13, 'ask', 'absent'],
          [14, 'ask', 'absent'],
        ],
        10,
      ),
    ).toBe('absent');
  });
});
