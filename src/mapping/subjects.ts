import type { PeriodRecord } from '../records/period-record.js';
import type { ResultRecord, WithdrawalRecord } from '../records/result-record.js';
import type { ReceiptIdentity, StatementRecord, StopRecord } from '../records/statement-record.js';
import type { StopEscalationRecord } from '../records/stop-escalation-record.js';

/** What every message says about itself. */
export interface SubjectHead {
  /** The delivery id: what the destination files the message under. */
  readonly reference: string;
  readonly idempotencyKey: string;
  readonly build: number;
}

/** The signed act by which a result belongs where it does, instead of by its scan. */
export interface AttributionSubject {
  /** Label of the container it is of, as its receipt lists it. */
  readonly container: string;
  readonly reason: string;
  readonly signedBy: string;
  readonly signedAt: string;
}

export interface ResultSubject extends SubjectHead {
  readonly message: 'result';
  readonly record: ResultRecord;
  /** The receipt the scan was matched to; null while the result has no owner. */
  readonly receipt: ReceiptIdentity | null;
  /** Beside what was scanned, which stays as it was reported; null while the scan says whose it is. */
  readonly attribution: AttributionSubject | null;
}

export interface WithdrawalSubject extends SubjectHead {
  readonly message: 'withdrawal';
  readonly withdrawal: WithdrawalRecord;
}

export interface StatementSubject extends SubjectHead {
  readonly message: 'statement' | 'stop';
  readonly statement: StatementRecord;
  readonly stop: StopRecord | null;
  /** Labels of the containers the statement lists as covered, the only ones it speaks well of. */
  readonly coveredContainers: readonly string[];
}

export interface EscalationSubject extends SubjectHead {
  readonly message: 'stop-escalation';
  readonly escalation: StopEscalationRecord;
}

export interface PeriodSubject extends SubjectHead {
  readonly message: 'period';
  readonly period: PeriodRecord;
}

/** The input of every mapping expression: exactly one shape for each message name. */
export type Subject =
  | ResultSubject
  | WithdrawalSubject
  | StatementSubject
  | EscalationSubject
  | PeriodSubject;

export function resultSubject(
  head: SubjectHead,
  record: ResultRecord,
  receipt: ReceiptIdentity | null,
  attribution: AttributionSubject | null = null,
): ResultSubject {
  return { message: 'result', ...head, record, receipt, attribution };
}

export function withdrawalSubject(
  head: SubjectHead,
  withdrawal: WithdrawalRecord,
): WithdrawalSubject {
  return { message: 'withdrawal', ...head, withdrawal };
}

export function escalationSubject(
  head: SubjectHead,
  escalation: StopEscalationRecord,
): EscalationSubject {
  return { message: 'stop-escalation', ...head, escalation };
}

export function statementSubject(head: SubjectHead, statement: StatementRecord): StatementSubject {
  return { message: 'statement', ...head, statement, stop: null, ...covered(statement) };
}

/** The stop is its statement revision's message to a destination that acts. */
export function stopSubject(
  head: SubjectHead,
  statement: StatementRecord,
  stop: StopRecord,
): StatementSubject {
  return { message: 'stop', ...head, statement, stop, ...covered(statement) };
}

/** A closed period, or what was signed about it since; it speaks of no receipt and permits nothing. */
export function periodSubject(head: SubjectHead, period: PeriodRecord): PeriodSubject {
  return { message: 'period', ...head, period };
}

/** Only this subject may yield a payload that permits release (release-safety rule 23). */
export function mayPermitRelease(subject: Subject): boolean {
  return (
    subject.message === 'statement' &&
    subject.statement.outcome === 'conforms' &&
    subject.statement.stopInForce === null &&
    subject.stop === null
  );
}

function covered(statement: StatementRecord): { readonly coveredContainers: readonly string[] } {
  return {
    coveredContainers: statement.containers
      .filter((c) => c.state === 'covered')
      .map((c) => c.label),
  };
}
