import type { DeliveryAct, DeliveryFault, DeliveryState } from '../storage/tables.js';
import type { Standing } from './delivery-standing.js';

/** What the decision about an act on a delivery rests on. */
export interface StoppedFacts {
  readonly state: DeliveryState;
  readonly fault: DeliveryFault | null;
  readonly message: string;
  readonly build: number;
  /** Highest build of the same message for the same destination. */
  readonly latestBuild: number;
  readonly standing: Standing;
  /** The key is honoured, and the destination still remembers it if it declares for how long. */
  readonly keyHolds: boolean;
  /** The key is honoured at all; false together with `keyHolds` false means that it never was. */
  readonly honoursKey: boolean;
  readonly askable: boolean;
  /** Why what it says is not what stands now; null while it does. */
  readonly overtakenBy: string | null;
  /** A later message of the same order has left already, or may have. */
  readonly laterHasLeft: boolean;
  /** A later message of the same order is there, sent or not. */
  readonly isFollowed: boolean;
  /** The mapping in force maps this message. */
  readonly isMapped: boolean;
  /** After a restore nothing is sent until the gateway is resumed. */
  readonly isRecovering: boolean;
}

/** Why an act is not open. */
export type Refusal =
  | 'recovering'
  | 'not-stopped'
  | 'replaced'
  | 'overtaken'
  | 'not-overtaken'
  | 'out-of-order'
  | 'cannot-tell'
  | 'not-known-absent'
  | 'repeats-by-itself'
  | 'not-mapped';

export type ActDecision =
  /** Known not to be there, or sent again under a key that is honoured: it leaves again. */
  | { readonly kind: 'send'; readonly isDoubtful: boolean }
  /** It is asked about first, and leaves again only when it is shown absent. */
  | { readonly kind: 'ask' }
  | { readonly kind: 'rebuild' }
  | { readonly kind: 'retire' }
  | {
      readonly kind: 'refused';
      readonly code: Refusal;
      readonly found: string;
      readonly remedy: string;
    };

/**
 * Whether a person may have a stopped delivery sent again, built anew or given up, and how (design §7 and §8; rules
 * 21, 25, 26 and 28). Nothing here can make two messages of one: a doubt is asked about, or goes out under its own
 * key, and a new key is given only to what is known not to be there.
 */
export function decideAct(act: DeliveryAct, facts: StoppedFacts): ActDecision {
  const refused = refusalOfAll(facts) ?? refusalOfSubject(act, facts);
  if (refused !== null) return refused;
  switch (act) {
    case 'resend':
      return decideResend(facts);
    case 'rebuild':
      return decideRebuild(facts);
    case 'retire':
      return { kind: 'retire' };
  }
}

function refusalOfAll(facts: StoppedFacts): ActDecision | null {
  if (facts.isRecovering) {
    return refuse(
      'recovering',
      'the gateway was restored or copied, and nobody has resumed it yet',
      'Let it read the destinations back and resume it (drumline resume); then look at the delivery again.',
    );
  }
  if (facts.build < facts.latestBuild) {
    return refuse(
      'replaced',
      `build ${facts.latestBuild} took its place`,
      'Act on the latest build.',
    );
  }
  return null;
}

/** What the order and the present state of its subject forbid, whatever the destination holds. */
function refusalOfSubject(act: DeliveryAct, facts: StoppedFacts): ActDecision | null {
  const { overtakenBy, laterHasLeft } = facts;
  if (act === 'retire') {
    if (!hasStopped(facts)) return notStopped(facts);
    return refusalToRetire(facts);
  }
  if (!hasStopped(facts) && !(act === 'rebuild' && mayBeRebuiltThoughNotStopped(facts))) {
    return notStopped(facts);
  }
  if (overtakenBy !== null) {
    return refuse(
      'overtaken',
      overtakenBy,
      'Only what stands now is sent. Retire it, so that what waits behind it may leave.',
    );
  }
  if (laterHasLeft) {
    return refuse(
      'out-of-order',
      'a later message about the same thing has left already, or may have before a restore',
      'It would say something older after something newer. Compare what the destination holds (drumline sweep) and correct the difference there.',
    );
  }
  return null;
}

/** What may be held there although it no longer stands must not be forgotten before its withdrawal is on its way. */
function refusalToRetire(facts: StoppedFacts): ActDecision | null {
  if (facts.overtakenBy === null) {
    return refuse(
      'not-overtaken',
      'what it says stands, and its destination has to learn it',
      'Have it sent again or built anew.',
    );
  }
  const mayBeThere = facts.standing === 'doubtful' || facts.standing === 'shown';
  if (facts.message !== 'result' || !mayBeThere || facts.isFollowed) return null;
  return refuse(
    'cannot-tell',
    'it may have arrived, and no withdrawal follows it',
    'Look there for its reference by the local procedure, have it removed there if it is, and write what you found into the discrepancy.',
  );
}

function hasStopped({ state }: StoppedFacts): boolean {
  return state === 'parked' || state === 'rejected';
}

/**
 * Cancelled before it left; acknowledged and then shown absent; or a stop, which goes on trying with a payload
 * that only another mapping can mend.
 */
function mayBeRebuiltThoughNotStopped({ state, fault, message }: StoppedFacts): boolean {
  if (state === 'cancelled') return true;
  if (state === 'accepted') return fault === 'absent';
  return isFailingStop({ state, fault, message });
}

function isFailingStop({
  state,
  fault,
  message,
}: Pick<StoppedFacts, 'state' | 'fault' | 'message'>): boolean {
  const isMended = fault === null || fault === 'not-effective';
  return message === 'stop' && (state === 'due' || state === 'uncertain') && !isMended;
}

function notStopped({ state, message }: StoppedFacts): ActDecision {
  if (message === 'stop' && (state === 'due' || state === 'uncertain' || state === 'sending')) {
    return refuse(
      'repeats-by-itself',
      `the stop is ${state}`,
      'A stop is repeated by itself until it is shown. Where its payload is at fault, correct the mapping, activate it and rebuild the stop.',
    );
  }
  return refuse(
    'not-stopped',
    `the delivery is ${state}`,
    'Only what is parked or rejected waits for a person.',
  );
}

function decideResend(facts: StoppedFacts): ActDecision {
  switch (facts.standing) {
    case 'never-there':
    case 'refused':
      return { kind: 'send', isDoubtful: false };
    case 'shown':
      // Whatever the key does: what was shown under it has to be looked at before anything else.
      return facts.askable ? { kind: 'ask' } : cannotTell(facts);
    case 'absent':
    case 'doubtful':
      // The absence may be old by now; asking costs nothing.
      if (facts.askable) return { kind: 'ask' };
      return facts.keyHolds ? { kind: 'send', isDoubtful: true } : cannotTell(facts);
  }
}

function cannotTell({ honoursKey }: StoppedFacts): ActDecision {
  const key = honoursKey
    ? 'its key may be forgotten there by now'
    : 'the destination does not honour its key';
  return refuse(
    'cannot-tell',
    `it may have arrived, ${key}, and the destination cannot be asked`,
    'Sending it again could post it twice. Look there for its reference by the local procedure and write what you found into the discrepancy. To be able to ask from now on, give the message a readBack, or let the destination be listed and swept.',
  );
}

function decideRebuild(facts: StoppedFacts): ActDecision {
  if (!facts.isMapped) {
    return refuse(
      'not-mapped',
      'the mapping in force has no such message',
      'Map the message, and start the gateway with that folder.',
    );
  }
  // Twice it changes nothing, and unseen it may cost a release.
  if (facts.message === 'stop') return { kind: 'rebuild' };
  switch (facts.standing) {
    case 'never-there':
    case 'refused':
    case 'absent':
      return { kind: 'rebuild' };
    case 'doubtful':
    case 'shown':
      return refuse(
        'not-known-absent',
        facts.standing === 'shown'
          ? 'the destination showed something under its reference'
          : 'it may have arrived',
        facts.askable
          ? 'Have it sent again: it is asked about first, and leaves under its own key only when it is shown absent.'
          : 'A new key would let it be posted twice. Look there for its reference by the local procedure.',
      );
  }
}

function refuse(code: Refusal, found: string, remedy: string): ActDecision {
  return { kind: 'refused', code, found, remedy };
}
