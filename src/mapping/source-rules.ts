import type { MessageName } from '../site/mapping-document.js';

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
  period: ['period.environment', 'period.periodId', 'period.revision', 'period.kind'],
};

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
]);
