import type { AttemptOutcome } from '../delivery/attempt-outcome.js';
import type { Standing } from '../delivery/delivery-standing.js';
import type { ReadBackAnswer } from '../delivery/read-back-answer.js';
import {
  type ConditionCode,
  type ConditionState,
  STATEMENT_OUTCOMES,
  type StatementContainer,
  type StatementOutcome,
  type StopKind,
} from '../records/statement-record.js';
import type { Environment } from '../site/vocabulary.js';
import type { DeliveryState, DiscrepancyClass } from '../storage/tables.js';
import type { StageKey } from './day-view.js';

/** The words pages use. One table a vocabulary, each closed, so that a new term cannot go unnamed. */

export const OUTCOME_WORDS: Readonly<Record<StatementOutcome, string>> = {
  conforms: 'conforms',
  'does-not-conform': 'does not conform',
  incomplete: 'incomplete',
};

export const STOP_WORDS: Readonly<Record<StopKind, string>> = {
  suspend: 'stop: suspend',
  withdraw: 'stop: withdraw',
};

export const CONTAINER_WORDS: Readonly<Record<StatementContainer['state'], string>> = {
  covered: 'covered',
  'not-measured': 'not measured',
  contrary: 'contrary',
  'not-required': 'not in the plan',
};

export const CONDITION_WORDS: Readonly<Record<ConditionState, string>> = {
  met: 'met',
  unmet: 'not met yet',
  contradicted: 'contradicted',
  'not-evaluated': 'not evaluated',
};

export const CONDITION_TITLES: Readonly<Record<ConditionCode, string>> = {
  'receipt-known': 'Receipt announced',
  'plan-in-force': 'Sampling plan in force',
  coverage: 'Required containers covered',
  'no-contrary-result': 'No contrary result',
  recheck: 'Recheck of score and decision',
  'methods-by-content': 'Methods as approved, by content',
  'origin-and-environment': 'Origin and environment',
  'heard-from-every-instrument': 'Heard from every instrument of the area',
  'deliveries-confirmed': 'Deliveries confirmed',
  'no-open-discrepancy': 'No open discrepancy',
  'no-stop-in-force': 'No stop in force',
  'further-identity-tests': 'Further identity tests',
  'retest-date': 'Retest date ahead',
  'second-person': 'Second person',
  'performance-brackets': 'Performance checks on both sides',
  'labels-verified': 'Labels looked at',
  'receipt-undivided': 'Receipt in one piece',
  'destination-unchanged': 'Destinations unchanged',
  'attribute-inspections': 'Labels and damage inspected',
};

/** What a person does about a condition that is not met. No text here may lead to a release. */
export const CONDITION_NEXT: Readonly<Record<ConditionCode, string>> = {
  'receipt-known': 'Announce the receipt line with its containers, or correct what was announced.',
  'plan-in-force': 'Have a sampling plan for this material put into the site folder by a decision.',
  coverage:
    'Measure the containers named, labels scanned, under the instrument’s and the site’s laser and ignition rules.',
  'no-contrary-result':
    'Keep the receipt blocked; the quality unit investigates. A further measurement takes nothing back.',
  recheck:
    'Do not rely on these results. Compare method and reference on the instrument with the registered ones.',
  'methods-by-content':
    'Measure with a method registered with this content and approved for the material the receipt expects.',
  'origin-and-environment':
    'Measure with a registered instrument that works in this site’s environment.',
  'heard-from-every-instrument':
    'Sync every instrument named: it may hold a fail that nobody has seen.',
  'deliveries-confirmed':
    'Look at the deliveries below; one that is rejected, parked or uncertain needs a person.',
  'no-open-discrepancy': 'Close what is named by the evidence that its class asks for.',
  'no-stop-in-force':
    'The stop stands until somebody with the right to lifts it by signature, under an investigation. The quality unit decides.',
  'further-identity-tests':
    'The quality unit decides by the other tests this material needs; Raman is a part only.',
  'retest-date': 'The retest date has come: the site’s procedure decides what is tested again.',
  'second-person': 'A reviewer who measured nothing of this receipt looks at it and signs below.',
  'performance-brackets':
    'Have the next performance check made, or look at the failed one: what was measured since the last pass waits, or is measured again on an instrument that passes.',
  'labels-verified':
    'Have a second person compare every label that was typed, chosen or carried over with the container itself, and sign it.',
  'receipt-undivided':
    'Look at the receipts named. What came of a receipt in doubt waits for a reviewer’s signed act; a closed one went on elsewhere.',
  'destination-unchanged':
    'Check that the destination still means what its mapping says, and that nothing was used already.',
  'attribute-inspections':
    'Inspect as many containers as the plan asks for and have the count signed. What the plan rejects waits for the quality unit; another count takes nothing back.',
};

/** Where the evidence of a met condition stands on the receipt's page when the statement lists none by itself. */
export const EVIDENCE_ELSEWHERE: Readonly<
  Partial<Record<ConditionCode, 'containers' | 'deliveries'>>
> = {
  coverage: 'containers',
  'no-contrary-result': 'containers',
  recheck: 'containers',
  'methods-by-content': 'containers',
  'origin-and-environment': 'containers',
  'deliveries-confirmed': 'deliveries',
};

export const STAGE_TITLES: Readonly<Record<StageKey, string>> = {
  expected: 'Expected',
  measured: 'Measured',
  accepted: 'Accepted',
  delivered: 'Delivered',
  confirmed: 'Confirmed',
  statements: 'Statements',
};

export const ENVIRONMENT_WORDS: Readonly<Record<Environment, string>> = {
  production: 'Production',
  validation: 'Validation',
  training: 'Training',
};

export const DELIVERY_WORDS: Readonly<Record<DeliveryState, string>> = {
  due: 'due',
  building: 'building',
  sending: 'sending',
  accepted: 'accepted',
  confirmed: 'confirmed',
  uncertain: 'uncertain',
  rejected: 'rejected',
  parked: 'parked',
  cancelled: 'cancelled',
  superseded: 'superseded',
};

/** Class of discrepancy as a heading; what closes one stands in `DISCREPANCY_RULES`. */
export const DISCREPANCY_TITLES: Readonly<Record<DiscrepancyClass, string>> = {
  'not-measured': 'Not measured',
  'not-expected': 'Not expected',
  'run-gap': 'Run gap',
  'run-overlap': 'Run overlap',
  held: 'Held',
  unreadable: 'Unreadable',
  conflict: 'Conflict',
  'performance-failed': 'Performance check failed',
  'contrary-unowned': 'Contrary without an owner',
  'attribution-open': 'Attribution proposed',
  'rejected-container': 'Rejected, not split off',
  'not-sent': 'Not sent',
  overdue: 'Overdue',
  rejected: 'Rejected',
  parked: 'Parked',
  uncertain: 'Uncertain',
  absent: 'Absent',
  differs: 'Differs',
  'duplicate-at-destination': 'Double at the destination',
  'unknown-at-source': 'Unknown at the source',
  'destination-changed': 'Destination changed',
  'stop-not-effective': 'Stop not effective',
};

/** How a label was entered, as people read it; a word that this version does not know stays as it is. */
export function entryWords(entry: string | null): string {
  if (entry === null) return 'unknown how';
  return entry === 'carried-over' ? 'carried over from the last one' : entry;
}

/** `role:reviewer` as people read it. */
export function ownerWords(owner: string): string {
  return owner.startsWith('role:')
    ? `any ${owner.slice('role:'.length)}`
    : owner.replace(/^person:/, '');
}

/** What is known of a delivery that stopped. */
export const STANDING_WORDS: Readonly<Record<Standing, string>> = {
  'never-there': 'It was never stored there.',
  refused: 'The destination refused it, and no send of it is in doubt.',
  absent: 'Read-backs showed that it is not there.',
  doubtful: 'It may have arrived.',
  shown: 'A read-back showed something under its reference.',
};

const ATTEMPT_WORDS: Readonly<
  Record<AttemptOutcome['kind'] | ReadBackAnswer['kind'] | 'lost', string>
> = {
  accepted: 'accepted',
  unavailable: 'unavailable',
  postponed: 'not sent this time',
  uncertain: 'nobody can say whether it arrived',
  'key-busy': 'it still works on the same key',
  'key-conflict': 'the key was taken by other content',
  credentials: 'the credentials were refused',
  rejected: 'refused',
  withheld: 'not sent',
  absent: 'it is not there',
  one: 'it is there as sent',
  several: 'it is there more than once',
  differs: 'it is there, and differs',
  'received-not-applied': 'received there, not applied yet',
  overtaken: 'a later one is there',
  lost: 'its end was not noted',
};

/** How a send or a read-back ended; a code that this version does not know stays as it is. */
export function attemptWords(outcome: string): string {
  const words: Readonly<Record<string, string>> = ATTEMPT_WORDS;
  return words[outcome] ?? outcome;
}

/** An outcome as it is stored; null where none is, or none that is known. */
export function outcomeOf(text: string | null | undefined): StatementOutcome | null {
  return STATEMENT_OUTCOMES.find((outcome) => outcome === text) ?? null;
}
