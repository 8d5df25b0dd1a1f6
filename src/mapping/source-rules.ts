import type { MessageMapping, MessageName, Path } from '../site/mapping-document.js';

/**
 * Sources every message has to carry, from a bare path into a required field: where a result came from and
 * in which environment cannot be mapped away (release-safety rule 7), and revision and receipt let a
 * receiver ignore what is older (rule 21).
 */
export const REQUIRED_SOURCES: Readonly<Record<MessageName, readonly string[]>> = {
  result: [
    'record.origin',
    'record.environment',
    'record.resultId',
    'record.revision',
    'record.decision',
  ],
  withdrawal: ['withdrawal.environment', 'withdrawal.resultId', 'withdrawal.resultRevision'],
  statement: [
    'statement.environment',
    'statement.receipt.receiptId',
    'statement.revision',
    'statement.outcome',
  ],
  stop: ['statement.environment', 'statement.receipt.receiptId', 'statement.revision', 'stop.kind'],
  'stop-escalation': [
    'escalation.environment',
    'escalation.receiptId',
    'escalation.stopId',
    'escalation.kind',
  ],
  period: ['period.environment', 'period.periodId', 'period.revision', 'period.kind'],
};

/** Of the sources above the one that names what a message is about: a later revision is one of the same thing. */
const SUBJECT_SOURCES: Readonly<Record<MessageName, string>> = {
  result: 'record.resultId',
  withdrawal: 'withdrawal.resultId',
  statement: 'statement.receipt.receiptId',
  stop: 'statement.receipt.receiptId',
  'stop-escalation': 'escalation.stopId',
  period: 'period.periodId',
};

/** Places of a message that name what it is about. */
export function subjectPlaces(name: MessageName, message: MessageMapping): ReadonlySet<Path> {
  const source = SUBJECT_SOURCES[name];
  return new Set(message.fields.filter(({ from }) => from === source).map(({ to }) => to));
}

const RECEIPT = ['receiptId', 'receiptNumber', 'line', 'material', 'supplierLot', 'siteLot'];

/** Sources that name a thing: sent exactly as they stand or not at all (rule 24). */
export const IDENTIFIER_SOURCES: ReadonlySet<string> = new Set([
  'reference',
  'idempotencyKey',
  'record.resultId',
  'record.revision',
  'record.receipt.scanned',
  'record.container.scanned',
  'record.material',
  'record.lot',
  'record.supersedes.resultId',
  'attribution.container',
  ...RECEIPT.map((name) => `receipt.${name}`),
  'withdrawal.withdrawalId',
  'withdrawal.resultId',
  'withdrawal.resultRevision',
  'withdrawal.receiptId',
  ...RECEIPT.map((name) => `statement.receipt.${name}`),
  'statement.revision',
  'statement.containers.label',
  'statement.containers.resultIds',
  'coveredContainers',
  'stop.stopId',
  'stop.statementRevision',
  'escalation.stopId',
  'escalation.receiptId',
  'escalation.statementRevision',
  'period.periodId',
  'period.revision',
  'period.signatureId',
]);

/** Functions that would make the same subject yield another payload next time, or run text as code. */
export const REFUSED_FUNCTIONS: ReadonlySet<string> = new Set([
  'now',
  'millis',
  'random',
  'shuffle',
  'eval',
  // With a picture it takes what the text leaves out, such as the year, from the day on which it runs.
  'toMillis',
]);

/** Last names of those sources. */
export const IDENTIFIER_NAMES: ReadonlySet<string> = new Set(
  [...IDENTIFIER_SOURCES].map((source) => source.split('.').at(-1) ?? source),
);

/** Functions that read members by a name that is computed, or all of them. */
export const MEMBER_FUNCTIONS: ReadonlySet<string> = new Set(['lookup', 'each', 'sift', 'spread']);
