import { describe, expect, it } from 'vitest';
import type { Standing } from '../../src/delivery/delivery-standing.js';
import { decideAct, type StoppedFacts } from '../../src/delivery/stopped-delivery.js';
import type { DeliveryAct, DeliveryFault, DeliveryState } from '../../src/storage/tables.js';

const PARKED: StoppedFacts = {
  state: 'parked',
  fault: 'exhausted',
  message: 'result',
  build: 1,
  latestBuild: 1,
  standing: 'never-there',
  keyHolds: false,
  honoursKey: false,
  askable: false,
  overtakenBy: null,
  laterHasLeft: false,
  isFollowed: false,
  isMapped: true,
  isRecovering: false,
};

function decided(act: DeliveryAct, changes: Partial<StoppedFacts> = {}): string {
  const decision = decideAct(act, { ...PARKED, ...changes });
  return decision.kind === 'refused' ? decision.code : decision.kind;
}

const STANDINGS: readonly Standing[] = ['never-there', 'refused', 'absent', 'doubtful', 'shown'];
const STATES: readonly DeliveryState[] = [
  'due',
  'building',
  'sending',
  'accepted',
  'confirmed',
  'uncertain',
  'rejected',
  'parked',
  'cancelled',
  'superseded',
];
const FAULTS: readonly (DeliveryFault | null)[] = [
  null,
  'mapping',
  'rejected',
  'absent',
  'differs',
  'key-conflict',
  'not-effective',
];

/** Every combination of what a decision rests on. */
function* everything(): Generator<StoppedFacts> {
  const flags = [false, true];
  for (const standing of STANDINGS)
    for (const state of STATES)
      for (const fault of FAULTS)
        for (const message of ['result', 'withdrawal', 'statement', 'stop'])
          for (const [keyHolds, honoursKey] of [
            [false, false],
            [false, true],
            [true, true],
          ] as const)
            for (const askable of flags)
              for (const overtakenBy of [null, 'a later one'])
                for (const laterHasLeft of flags)
                  for (const latestBuild of [1, 2]) {
                    const facts = {
                      standing,
                      state,
                      fault,
                      message,
                      keyHolds,
                      honoursKey,
                      askable,
                    };
                    yield { ...PARKED, ...facts, overtakenBy, laterHasLeft, latestBuild };
                  }
}

describe('resending', () => {
  it('leaves at once where nothing of it is there', () => {
    expect(decided('resend')).toBe('send');
    expect(decided('resend', { state: 'rejected', standing: 'refused' })).toBe('send');
  });

  it('asks first about a doubt, also where the key is honoured, and about what was shown', () => {
    for (const standing of ['doubtful', 'shown', 'absent'] as const) {
      expect(decided('resend', { standing, askable: true, keyHolds: true })).toBe('ask');
    }
  });

  it('leaves under an honoured key where nobody can be asked, and not once the key may be forgotten', () => {
    expect(decided('resend', { standing: 'doubtful', honoursKey: true, keyHolds: true })).toBe(
      'send',
    );
    expect(decided('resend', { standing: 'doubtful', honoursKey: true })).toBe('cannot-tell');
    expect(decided('resend', { standing: 'shown', honoursKey: true, keyHolds: true })).toBe(
      'cannot-tell',
    );
  });

  it('is refused with a remedy where the key is not honoured and nobody can be asked', () => {
    const decision = decideAct('resend', { ...PARKED, standing: 'doubtful' });
    expect(decision).toMatchObject({ kind: 'refused', code: 'cannot-tell' });
    expect(decision.kind === 'refused' && decision.remedy).toContain('readBack');
  });
});

describe('rebuilding', () => {
  it('takes a cancelled, a refused or an absent build, and one that was never there', () => {
    expect(decided('rebuild')).toBe('rebuild');
    expect(decided('rebuild', { state: 'cancelled' })).toBe('rebuild');
    expect(decided('rebuild', { state: 'rejected', standing: 'refused' })).toBe('rebuild');
    expect(decided('rebuild', { standing: 'absent', fault: 'absent' })).toBe('rebuild');
    expect(decided('rebuild', { state: 'accepted', standing: 'absent', fault: 'absent' })).toBe(
      'rebuild',
    );
  });

  it('needs a mapping of the message, and the latest build', () => {
    expect(decided('rebuild', { isMapped: false })).toBe('not-mapped');
    expect(decided('rebuild', { latestBuild: 2 })).toBe('replaced');
  });

  it('mends a stop that cannot get through, whatever is known of it', () => {
    for (const standing of STANDINGS) {
      const stop = { message: 'stop', state: 'due', fault: 'mapping', standing } as const;
      expect(decided('rebuild', stop)).toBe('rebuild');
      expect(decided('resend', stop)).toBe('repeats-by-itself');
    }
    expect(decided('rebuild', { message: 'stop', state: 'due', fault: null })).toBe(
      'repeats-by-itself',
    );
  });
});

describe('retiring', () => {
  it('takes only what no longer says what stands', () => {
    expect(decided('retire')).toBe('not-overtaken');
    expect(decided('retire', { overtakenBy: 'revision 2' })).toBe('retire');
    expect(decided('retire', { overtakenBy: 'revision 2', state: 'due' })).toBe('not-stopped');
  });

  it('forgets no result that may be held there before its withdrawal follows', () => {
    const held = { overtakenBy: 'the result is superseded', standing: 'doubtful' } as const;
    expect(decided('retire', held)).toBe('cannot-tell');
    expect(decided('retire', { ...held, isFollowed: true })).toBe('retire');
  });
});

describe('every act', () => {
  it('waits for the resuming after a restore', () => {
    for (const act of ['resend', 'rebuild', 'retire'] as const) {
      expect(decided(act, { isRecovering: true, overtakenBy: 'x' })).toBe('recovering');
    }
  });

  it('over every combination: makes no double, sends nothing overtaken and nothing out of order', () => {
    let allowed = 0;
    for (const facts of everything()) {
      for (const act of ['resend', 'rebuild'] as const) {
        const decision = decideAct(act, facts);
        if (decision.kind === 'refused') continue;
        allowed += 1;
        const mayBeThere = facts.standing === 'doubtful' || facts.standing === 'shown';
        const place = JSON.stringify({ act, facts });
        expect(facts.overtakenBy, place).toBeNull();
        expect(facts.laterHasLeft, place).toBe(false);
        expect(facts.build, place).toBe(facts.latestBuild);
        // A new key for what may be there would double it; a stop sent twice changes nothing.
        if (decision.kind === 'rebuild' && facts.message !== 'stop')
          expect(mayBeThere, place).toBe(false);
        if (decision.kind === 'send' && mayBeThere) expect(facts.keyHolds, place).toBe(true);
        if (decision.kind === 'ask') expect(facts.askable, place).toBe(true);
      }
    }
    expect(allowed).toBeGreaterThan(100);
  });
});
