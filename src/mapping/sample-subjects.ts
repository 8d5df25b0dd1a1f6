import type { Sha256 } from '../formats/canonical-json.js';
import type { Decimal } from '../formats/decimal.js';
import type { PeriodRecord } from '../records/period-record.js';
import type { ResultRecord, WithdrawalRecord } from '../records/result-record.js';
import type { ReceiptIdentity, StatementRecord, StopRecord } from '../records/statement-record.js';
import type { StopEscalationRecord } from '../records/stop-escalation-record.js';
import {
  type AttributionSubject,
  escalationSubject,
  periodSubject,
  resultSubject,
  type StatementSubject,
  type Subject,
  type SubjectHead,
  statementSubject,
  stopSubject,
  withdrawalSubject,
} from './subjects.js';

/**
 * Invented subjects with every optional part filled in, for checking and previewing a mapping before any
 * real result exists. Nothing of them is ever sent.
 */
const HEAD: SubjectHead = {
  reference: '00000000-0000-7000-8000-00000000c0de',
  idempotencyKey: '00000000-0000-7000-8000-00000000c0de.1',
  build: 1,
};

const decimal = (text: string): Decimal => text as Decimal;
const DIGEST = 'c0de'.repeat(16) as Sha256;
const AT = '2026-03-04T09:15:30.000000Z';

const RECEIPT: ReceiptIdentity = {
  receiptId: 'SAMPLE-R-0001',
  receiptNumber: '0000012345',
  line: '0010',
  material: 'SAMPLE-1',
  manufacturer: 'Sample Manufacturer (invented)',
  supplier: 'Sample Supplier (invented)',
  supplierLot: 'SL-1',
  siteLot: 'LOT-1',
  area: 'dock',
};

const ATTRIBUTION: AttributionSubject = {
  container: 'SAMPLE-C-002',
  reason: 'the label shows another container (invented)',
  signedBy: 'Second person (invented)',
  signedAt: AT,
};

const RECORD: ResultRecord = {
  schema: 'drumline-result-record',
  version: '1.0',
  site: 'sample',
  resultId: 'SAMPLE-RESULT-1',
  revision: 1,
  environment: 'training',
  origin: 'simulated',
  bundle: {
    bundleId: 'SAMPLE-BUNDLE-1',
    sha256: DIGEST,
    receivedAt: AT,
    pointer: '/results/0',
    syncPc: 'SAMPLE-PC',
  },
  instrument: {
    serial: 'SAMPLE-0001',
    model: 'Sample model (invented)',
    firmware: '1.0.0',
    laserWavelengthNm: decimal('785'),
  },
  run: { epoch: 1, number: 1 },
  mode: 'verification',
  receipt: { scanned: 'SAMPLE-R-0001', entry: 'scanned' },
  container: { scanned: 'SAMPLE-C-001', entry: 'scanned' },
  material: 'SAMPLE-1',
  lot: 'LOT-1',
  method: { id: 'ID-SAMPLE-1', version: '1', digest: DIGEST },
  operator: { id: 'SAMPLE-OP', name: 'Operator (invented)' },
  measuredAt: {
    reported: '2026-03-04T09:15:30+00:00',
    utc: AT,
    source: 'instrument',
    zone: 'Europe/London',
  },
  place: 'dock',
  presentation: { kind: 'through-packaging', between: 'liner', probeCover: 'PC-1' },
  acquisition: {
    integrationTimeMs: decimal('500'),
    accumulations: 3,
    laserPowerMw: decimal('100'),
    backgroundSubtracted: true,
  },
  decision: 'pass',
  score: { algorithm: 'squared-correlation', value: decimal('0.9731'), threshold: decimal('0.90') },
  candidates: [{ material: 'SAMPLE-1', score: decimal('0.9731') }],
  recheck: { answer: 'agrees', score: decimal('0.973100'), reason: 'within the tolerance' },
  spectrum: {
    points: 1024,
    axisWidth: 'even',
    intensityWidth: 'float32',
    axisFirst: '200',
    axisLast: '2246',
    intensityUnit: 'counts',
    sha256: DIGEST,
  },
  remarks: [{ name: 'remark', text: 'invented' }],
  supersedes: { resultId: 'SAMPLE-RESULT-0', reason: 'invented' },
  findings: ['typed-label'],
};

const WITHDRAWAL: WithdrawalRecord = {
  schema: 'drumline-withdrawal',
  version: '1.0',
  site: 'sample',
  withdrawalId: 'SAMPLE-WITHDRAWAL-1',
  resultId: 'SAMPLE-RESULT-1',
  resultRevision: 1,
  reason: 'invented',
  issuedAt: AT,
  environment: 'training',
  receiptId: 'SAMPLE-R-0001',
};

const STATEMENT: StatementRecord = {
  schema: 'drumline-statement',
  version: '1.0',
  site: 'sample',
  environment: 'training',
  receipt: RECEIPT,
  revision: 2,
  factsVersion: 7,
  outcome: 'conforms',
  evaluatedAt: AT,
  validUntil: '2026-03-04T09:25:30.000000Z',
  conditions: [
    {
      code: 'coverage',
      state: 'met',
      found: '2 of 2 containers',
      evidence: [{ kind: 'result', id: 'SAMPLE-RESULT-1' }],
    },
  ],
  containers: [
    { label: 'SAMPLE-C-001', required: true, state: 'covered', resultIds: ['SAMPLE-RESULT-1'] },
    { label: 'SAMPLE-C-002', required: true, state: 'covered', resultIds: ['SAMPLE-RESULT-2'] },
  ],
  plan: { kind: 'every', required: 2, decision: 'SAMPLE-D-1' },
  decisions: [
    {
      id: 'SAMPLE-D-1',
      rule: 'sampling-plans',
      decidedBy: 'Head of Quality (invented)',
      date: '2026-01-01',
      reason: 'invented',
    },
  ],
  stopInForce: null,
};

const STOP: StopRecord = {
  stopId: 'SAMPLE-STOP-1',
  kind: 'withdraw',
  reason: 'a container was measured again and failed (invented)',
  issuedAt: AT,
  statementRevision: 3,
};

const ESCALATION: StopEscalationRecord = {
  schema: 'drumline-stop-escalation',
  version: '1.0',
  site: 'sample',
  environment: 'training',
  stopId: STOP.stopId,
  kind: STOP.kind,
  receiptId: RECEIPT.receiptId,
  statementRevision: STOP.statementRevision,
  reason: STOP.reason,
  issuedAt: AT,
  number: 1,
  person: 'Duty officer (invented)',
  why: 'not shown by sample-erp',
  escalatedAt: AT,
};

const PERIOD: PeriodRecord = {
  schema: 'drumline-period-close',
  version: '1.0',
  site: 'sample',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
  periodId: 'SAMPLE-PERIOD-1',
  revision: 1,
  kind: 'close',
  addendum: null,
  from: '2026-03-04T00:00:00.000000Z',
  to: '2026-03-05T00:00:00.000000Z',
  closedAt: '2026-03-05T08:00:00.000000Z',
  closedBy: 'Signer (invented)',
  signatureId: 'SAMPLE-SIGNATURE-1',
  reason: 'invented',
  sha256: DIGEST,
  closeSha256: DIGEST,
  counts: {
    receipts: 1,
    expectedContainers: 2,
    measuredContainers: 1,
    acceptedResults: 1,
    heldResults: 0,
    refusedResults: 0,
    supersededResults: 0,
    heldBundles: 0,
    refusedBundles: 0,
    deliveredResults: 1,
    confirmedResults: 1,
    byDestination: [{ destination: 'sample', delivered: 1, confirmed: 1 }],
  },
  stops: 0,
  carriedOver: [
    {
      id: 'SAMPLE-DISCREPANCY-1',
      class: 'not-measured',
      subject: 'container:["SAMPLE-R-0001","SAMPLE-C-002"]',
      detail: 'container SAMPLE-C-002 of receipt SAMPLE-R-0001 has no accepted result',
      owner: 'receiving',
      openedAt: AT,
    },
  ],
  carriedOverCount: 1,
  resolvedCount: 0,
  changes: [],
  changesCount: 0,
};

export function samplePeriod(change: Partial<PeriodRecord> = {}): Subject {
  return periodSubject(HEAD, { ...PERIOD, ...change });
}

/** The first addendum of the same period. */
export function sampleAddendum(change: Partial<PeriodRecord> = {}): Subject {
  const detail =
    'result SAMPLE-RESULT-2, container SAMPLE-C-002 of receipt SAMPLE-R-0001, is accepted';
  return samplePeriod({
    revision: 2,
    kind: 'addendum',
    addendum: 1,
    closedAt: '2026-03-06T08:00:00.000000Z',
    signatureId: 'SAMPLE-SIGNATURE-2',
    carriedOver: [],
    carriedOverCount: 0,
    changes: [{ at: '2026-03-05T11:00:00.000000Z', detail }],
    changesCount: 1,
    ...change,
  });
}

export function sampleResult(change: Partial<ResultRecord> = {}): Subject {
  return resultSubject(HEAD, { ...RECORD, ...change }, RECEIPT, ATTRIBUTION);
}

export function sampleWithdrawal(change: Partial<WithdrawalRecord> = {}): Subject {
  return withdrawalSubject(HEAD, { ...WITHDRAWAL, ...change });
}

export function sampleStatement(change: Partial<StatementRecord> = {}): StatementSubject {
  return statementSubject(HEAD, { ...STATEMENT, ...change });
}

export function sampleStop(
  change: Partial<StopRecord> = {},
  statement: Partial<StatementRecord> = {},
): StatementSubject {
  const stop = { ...STOP, ...change };
  const about = {
    outcome: 'does-not-conform' as const,
    revision: 3,
    stopInForce: stop,
    ...statement,
  };
  return stopSubject(HEAD, { ...STATEMENT, ...about }, stop);
}

export function sampleEscalation(change: Partial<StopEscalationRecord> = {}): Subject {
  return escalationSubject(HEAD, { ...ESCALATION, ...change });
}

/** One full subject of each message; no period is a close and an addendum at once, but a mapping is for both. */
export function sampleSubjects(): Subject[] {
  const { carriedOver, carriedOverCount } = PERIOD;
  return [
    sampleResult(),
    sampleWithdrawal(),
    sampleStatement(),
    sampleStop(),
    sampleEscalation(),
    sampleAddendum({ carriedOver, carriedOverCount }),
  ];
}
