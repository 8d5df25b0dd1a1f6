import type {
  DayView,
  DiscrepancyGroupView,
  DiscrepancyView,
  ReceiptLineView,
  TileView,
} from '../../src/dashboard/day-view.js';
import { buildReceiptView, type ReceiptView } from '../../src/dashboard/receipt-view.js';
import { tileStrip } from '../../src/dashboard/tiles.js';
import { type Instant, parseTimestamp } from '../../src/formats/instant.js';
import type { Condition, StatementRecord } from '../../src/records/statement-record.js';

/** Invented site, invented receipts, training environment: what the pages look like on a busy day. */

export function at(text: string): Instant {
  const parsed = parseTimestamp(text);
  if (parsed === null) throw new Error(`not a timestamp: ${text}`);
  return parsed.instant;
}

const SITE = {
  site: 'northquay',
  title: 'Northquay',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
} as const;

const AS_OF = { iso: '2026-06-04T13:20:11.000000Z', text: '2026-06-04 14:20:11 UTC+01:00' };
const OPENED = { iso: '2026-06-04T09:02:00.000000Z', text: '2026-06-04 10:02:00 UTC+01:00' };

function tiles(prefix: string, states: readonly TileView['state'][]): TileView[] {
  return states.map((state, index) => ({
    label: `${prefix}-${String(index + 1).padStart(2, '0')}`,
    state,
  }));
}

export function line(change: Partial<ReceiptLineView> = {}): ReceiptLineView {
  return {
    receiptId: 'NQR-2026-0001',
    receiptNumber: 'GR 4711',
    line: '10',
    material: 'NQ-1001 Paracetamol',
    lot: 'SL-26-0311',
    area: 'East dock',
    outcome: 'conforms',
    revision: 4,
    stop: null,
    unmet: [],
    unmetMore: [],
    tiles: tileStrip(tiles('D', ['covered', 'covered', 'covered', 'covered'])),
    ...change,
  };
}

export function sampleDay(change: Partial<DayView> = {}): DayView {
  return {
    site: SITE,
    day: '2026-06-04',
    previous: '2026-06-03',
    next: '2026-06-05',
    isToday: true,
    asOf: AS_OF,
    stages: [
      {
        key: 'expected',
        count: 24,
        of: null,
        unit: 'containers',
        note: 'on 4 receipt lines',
        shortfalls: [],
      },
      {
        key: 'measured',
        count: 22,
        of: 24,
        unit: 'containers',
        note: null,
        shortfalls: [
          { count: 2, text: 'not measured', href: '#class-not-measured' },
          { count: 1, text: 'run gap', href: '#class-run-gap' },
        ],
      },
      {
        key: 'accepted',
        count: 23,
        of: 25,
        unit: 'results',
        note: null,
        shortfalls: [{ count: 2, text: 'held', href: '#class-held' }],
      },
      {
        key: 'delivered',
        count: 45,
        of: 46,
        unit: 'deliveries',
        note: 'accepted by the destination',
        shortfalls: [{ count: 1, text: 'rejected', href: '#class-rejected' }],
      },
      {
        key: 'confirmed',
        count: 45,
        of: 45,
        unit: 'deliveries',
        note: 'read back and equal',
        shortfalls: [],
      },
      {
        key: 'statements',
        count: 1,
        of: 4,
        unit: 'conform',
        note: null,
        shortfalls: [
          { count: 1, text: 'does not conform', href: '#outcome-does-not-conform' },
          { count: 2, text: 'incomplete', href: '#outcome-incomplete' },
        ],
      },
    ],
    receipts: [
      line({
        receiptId: 'NQR-2026-0004',
        receiptNumber: 'GR 4713',
        material: 'NQ-1003 Cyclohexane',
        outcome: 'does-not-conform',
        stop: { kind: 'withdraw', reason: 'Drum D-03 failed after its receipt conformed.' },
        unmet: [
          {
            title: 'No contrary result',
            state: 'contradicted',
            found: 'result NQ-R-0002:1:118 on D-03 is fail with score 0.412 against threshold 0.90',
          },
          {
            title: 'Deliveries confirmed',
            state: 'unmet',
            found: '11 of 12 results are confirmed at erp',
          },
        ],
        tiles: tileStrip(
          tiles('D', ['covered', 'covered', 'contrary', 'covered', 'not-measured', 'covered']),
        ),
      }),
      line(),
      line({
        receiptId: 'NQR-2026-0002',
        receiptNumber: 'GR 4712',
        area: 'West dock',
        material: 'NQ-1004 Sulfur',
        outcome: 'incomplete',
        revision: 2,
        unmet: [
          {
            title: 'Heard from every instrument of the area',
            state: 'unmet',
            found: 'NQ-R-0004 last synced 2026-06-04 09:02:00 UTC+01:00, before the last drum',
          },
          {
            title: 'Further identity tests',
            state: 'not-evaluated',
            found: 'Raman part only: water content is not known to this version',
          },
        ],
        tiles: tileStrip(
          tiles('S', [
            ...Array.from({ length: 9 }, () => 'covered' as const),
            ...Array.from({ length: 60 }, () => 'not-required' as const),
            'not-measured',
          ]),
        ),
      }),
      line({
        receiptId: 'scan only 77',
        receiptNumber: null,
        line: null,
        material: null,
        lot: null,
        area: null,
        outcome: null,
        revision: null,
        tiles: tileStrip([]),
      }),
    ],
    moreReceipts: 0,
    discrepancies: [
      classView('not-measured', 'Not measured', {
        subject: 'container:["NQR-2026-0004","D-05"]',
        receiptId: 'NQR-2026-0004',
        container: 'D-05',
        detail: 'D-05 is required by plan every and no result names it.',
      }),
      classView('run-gap', 'Run gap', {
        subject: 'run-gap:NQ-R-0003:1:14-15',
        instrument: 'NQ-R-0003',
        detail: 'Runs 14 to 15 of epoch 1 were never received. Blocks receipts of West dock.',
      }),
      classView('rejected', 'Rejected by the destination', {
        subject: 'delivery:0197396a-1111-7000-8000-000000000001',
        receiptId: 'NQR-2026-0004',
        container: 'D-06',
        destination: 'erp',
        detail: 'erp answered 422: unknown inspection lot.',
      }),
    ],
    ...change,
  };
}

/** A class with one discrepancy in it. */
export function classView(
  key: string,
  title: string,
  item: Partial<DiscrepancyView> = {},
): DiscrepancyGroupView {
  return {
    key,
    title,
    remedy: 'Closed by evidence.',
    count: 1,
    late: 0,
    moreLines: 0,
    href: `/discrepancies?class=${key}`,
    lines: [
      {
        title,
        count: 1,
        late: 0,
        age: '4 h 18 min',
        href: `/discrepancies?class=${key}&instrument=x`,
        items: [discrepancyItem({ href: `/discrepancies/${key}`, ...item })],
      },
    ],
  };
}

export function discrepancyItem(change: Partial<DiscrepancyView> = {}): DiscrepancyView {
  return {
    href: '/discrepancies/d-1',
    title: 'Held',
    subject: 'result:row-1',
    receiptId: null,
    container: null,
    destination: null,
    instrument: null,
    detail: 'result 1 is held',
    owner: 'any reviewer',
    openedAt: OPENED,
    age: '4 h 18 min',
    targetAt: OPENED,
    isLate: false,
    closedAt: null,
    closingEvidence: null,
    ...change,
  };
}

export function condition(change: Partial<Condition> = {}): Condition {
  return {
    code: 'coverage',
    state: 'met',
    found: '2 of 2 required containers are covered',
    evidence: [
      { kind: 'container', id: 'D-01' },
      { kind: 'result', id: 'NQ-R-0001:1:12' },
    ],
    ...change,
  };
}

export function statement(change: Partial<StatementRecord> = {}): StatementRecord {
  return {
    schema: 'drumline-statement',
    version: '1.0',
    site: 'northquay',
    environment: 'training',
    receipt: {
      receiptId: 'NQR-2026-0001',
      receiptNumber: 'GR 4711',
      line: '10',
      material: 'NQ-1001',
      manufacturer: 'Fellgate Chemicals (simulated)',
      supplier: 'Harrow Trading (simulated)',
      supplierLot: 'HT-88',
      siteLot: 'SL-26-0311',
      area: 'east-dock',
    },
    revision: 4,
    factsVersion: 19,
    outcome: 'does-not-conform',
    evaluatedAt: '2026-06-04T13:15:00.000000Z',
    validUntil: '2026-06-04T13:25:00.000000Z',
    conditions: [
      condition(),
      condition({
        code: 'no-contrary-result',
        state: 'contradicted',
        found: 'result NQ-R-0002:1:118 on D-02 is fail',
        evidence: [{ kind: 'result', id: 'NQ-R-0002:1:118' }],
      }),
      condition({ code: 'deliveries-confirmed', state: 'unmet', found: '3 of 4', evidence: [] }),
      condition({
        code: 'performance-brackets',
        state: 'not-evaluated',
        found: 'this version does not judge performance checks',
        evidence: [],
      }),
    ],
    containers: [
      { label: 'D-01', required: true, state: 'covered', resultIds: ['NQ-R-0001:1:12'] },
      { label: 'D-02', required: true, state: 'contrary', resultIds: ['NQ-R-0002:1:118'] },
    ],
    plan: { kind: 'every', required: 2, decision: 'D-002' },
    decisions: [
      {
        id: 'D-001',
        rule: 'second-person-off',
        decidedBy: 'Head of Quality, Northquay (simulated)',
        date: '2026-05-02',
        reason: 'Training only.',
      },
    ],
    stopInForce: {
      stopId: '01973970-0000-7000-8000-000000000001',
      kind: 'withdraw',
      reason: 'Drum D-02 failed after the receipt conformed.',
      issuedAt: '2026-06-04T13:15:00.000000Z',
      statementRevision: 4,
    },
    ...change,
  };
}

export function sampleReceipt(record: StatementRecord | null = statement()): ReceiptView {
  return buildReceiptView({
    site: SITE,
    now: at('2026-06-04T13:20:11Z'),
    receipt: (record ?? statement()).receipt,
    statement: record,
    resultNames: new Map([['row-2', 'NQ-R-0001:1:13, container D-03']]),
    deliveries: [
      {
        id: '01973960-0000-7000-8000-000000000001',
        destination: 'lims',
        message: 'result',
        subject_id: 'NQ-R-0001:1:12',
        subject_revision: 1,
        state: 'confirmed',
        attempts: 2,
        accepted_at: at('2026-06-04T12:00:01Z'),
        confirmed_at: at('2026-06-04T12:00:02Z'),
        destination_reference: 'L-000012',
        reason: null,
      },
      {
        id: '01973960-0000-7000-8000-000000000002',
        destination: 'erp',
        message: 'stop',
        subject_id: '01973970-0000-7000-8000-000000000001',
        subject_revision: 4,
        state: 'uncertain',
        attempts: 1,
        accepted_at: null,
        confirmed_at: null,
        destination_reference: null,
        reason: 'no answer within 1500 ms after the last byte was sent',
      },
      {
        id: '01973960-0000-7000-8000-000000000003',
        destination: 'lims',
        message: 'result',
        subject_id: 'row-2',
        subject_revision: 1,
        state: 'accepted',
        attempts: 1,
        accepted_at: at('2026-06-04T12:00:05Z'),
        confirmed_at: null,
        destination_reference: 'L-000013',
        reason: null,
      },
    ],
    discrepancies: sampleDay().discrepancies.slice(2),
  });
}
