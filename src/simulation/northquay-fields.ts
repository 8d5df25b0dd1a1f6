import type { FieldTable, HeldField } from './held-fields.js';
import type { MeasuredResult } from './story.js';

/**
 * How Northquay's stand-ins name what the judge compares, and the words they use for it. Written from the
 * stand-ins' side on purpose: a mistake in the gateway's mapping shows here as a difference.
 */
const DECISION_CODES: Readonly<Record<string, string>> = {
  pass: 'PASSED',
  fail: 'FAILED',
  inconclusive: 'INCONCLUSIVE',
};

const decision = (result: MeasuredResult): string => DECISION_CODES[result.decision] ?? '';

const text = (leaf: string, truth: HeldField['truth']): HeldField => ({ leaf, truth, as: 'text' });

export const LIMS_FIELDS: FieldTable = {
  resultId: 'resultId',
  receipt: 'receipt',
  revision: 'revision',
  statements: null,
  held: [
    text('environment', () => 'training'),
    text('origin', () => 'simulated'),
    text('receipt', (r) => r.receiptId),
    text('receiptScanned', (r) => r.receiptScan),
    text('container', (r) => r.containerScan),
    text('material', (r) => r.material),
    text('lot', (r) => r.lot),
    text('decision', decision),
    { leaf: 'score', truth: (r) => r.score, as: 'decimal' },
    { leaf: 'threshold', truth: (r) => r.threshold, as: 'decimal' },
    text('recheck', () => 'agrees'),
    text('method', (r) => r.methodId),
    text('methodVersion', (r) => r.methodVersion),
    text('instrument', (r) => r.serial),
    text('runNumber', (r) => String(r.runNumber)),
    text('operator', (r) => r.operatorId),
    text('measuredAt', (r) => r.measuredAt),
    { leaf: 'measuredAtUtc', truth: (r) => r.measuredAt, as: 'instant' },
  ],
};

export const ERP_FIELDS: FieldTable = {
  resultId: 'ResultId',
  receipt: 'Receipt',
  revision: 'Revision',
  statements: {
    outcome: 'UsageDecision',
    codes: {
      conforms: ['USE-PERMITTED'],
      'does-not-conform': ['USE-REFUSED'],
      incomplete: ['AWAITING'],
      stopped: ['BLOCK-CONTRARY'],
      suspended: ['BLOCK-DOUBT'],
    },
  },
  held: [
    text('Environment', () => 'training'),
    text('Origin', () => 'simulated'),
    text('Receipt', (r) => r.receiptId),
    text('Lot', (r) => r.lot),
    text('Container', (r) => r.containerScan),
    text('Material', (r) => r.material),
    text('Decision', decision),
    { leaf: 'Score', truth: (r) => r.score, as: 'decimal' },
    { leaf: 'Threshold', truth: (r) => r.threshold, as: 'decimal' },
    text('Method', (r) => r.methodId),
    text('Instrument', (r) => r.serial),
    text('MeasuredAt', (r) => r.measuredAt),
  ],
};
