import type { BooksDocument, ReceiptState, StoredMessage } from '../../../src/simulation/books.js';
import type { FieldTable } from '../../../src/simulation/held-fields.js';
import type { JudgedDestination, WorldTruth } from '../../../src/simulation/judge.js';
import type { DrumPhase, MeasuredResult, StoryReceipt } from '../../../src/simulation/story.js';
import { erpMessage } from './stand-ins.js';

/** A small world in which everything went well, as the starting point for going wrong. */
export interface World {
  readonly truth: WorldTruth & { readonly measured: MeasuredResult[] };
  readonly lims: MutableBooks;
  readonly erp: MutableBooks;
  destinations(): JudgedDestination[];
}

export interface MutableBooks extends BooksDocument {
  readonly messages: StoredMessage[];
  readonly receipts: ReceiptState[];
}

const LIMS: FieldTable = {
  resultId: 'resultId',
  receipt: 'receiptId',
  revision: 'revision',
  statements: {
    outcome: 'outcome',
    codes: {
      conforms: ['conforms'],
      'does-not-conform': ['does-not-conform'],
      incomplete: ['incomplete'],
      stopped: ['does-not-conform'],
      suspended: ['suspended'],
    },
  },
  held: [
    { leaf: 'container', truth: (r) => r.containerScan, as: 'text' },
    { leaf: 'decision', truth: (r) => r.decision, as: 'text' },
    { leaf: 'score', truth: (r) => r.score, as: 'decimal' },
    { leaf: 'measuredAt', truth: (r) => r.measuredAt, as: 'instant' },
  ],
};

const ERP: FieldTable = {
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
    { leaf: 'Container', truth: (r) => r.containerScan, as: 'text' },
    { leaf: 'Decision', truth: (r) => r.decision, as: 'text' },
    { leaf: 'Score', truth: (r) => r.score, as: 'decimal' },
  ],
};

const second = (n: number) => `2026-03-04T10:00:${String(n).padStart(2, '0')}.000000Z`;

function receipt(id: string, more: Partial<StoryReceipt>): StoryReceipt {
  return {
    id,
    scanText: id.toUpperCase(),
    material: 'NQ-1001',
    manufacturer: 'M',
    supplier: 'S',
    supplierLot: 'L',
    siteLot: 'NQL-1',
    area: 'east-dock',
    sampled: more.drums?.length ?? 3,
    drums: [1, 2, 3].map((n) => ({ label: `${id}-${n}`, holds: 'paracetamol' as const })),
    expected: 'conforms',
    expectsStop: false,
    because: '',
    ...more,
  };
}

/** `good` conforms, is released and issued; `bad` has a failing drum; `late` was not measured. */
export function goodWorld(): World {
  const receipts = [
    receipt('good', {}),
    receipt('bad', {
      expected: 'does-not-conform',
      drums: [
        { label: 'bad-1', holds: 'paracetamol' },
        { label: 'bad-2', holds: 'sulfur' },
      ],
    }),
    receipt('late', { expected: 'incomplete' }),
  ];
  const drums = new Map<string, DrumPhase[]>();
  for (const { drums: all } of receipts) {
    for (const drum of all) drums.set(drum.label, [{ from: second(0), holds: drum.holds }]);
  }
  const measured = receipts
    .filter((r) => r.id !== 'late')
    .flatMap((r) => r.drums.map((drum, i) => measurement(r, drum, i)));
  const lims: MutableBooks = { messages: [], receipts: [], releases: [], blocks: [], issues: [] };
  const erp: MutableBooks = { messages: [], receipts: [], releases: [], blocks: [], issues: [] };
  for (const result of measured) {
    add(lims, 'result', limsResult(result));
    add(erp, 'result', erpResult(result));
  }
  for (const r of receipts) {
    if (r.expected === 'incomplete') continue;
    const usage = r.expected === 'conforms' ? 'USE-PERMITTED' : 'USE-REFUSED';
    for (const [revision, outcome, code] of [
      [1, 'incomplete', 'AWAITING'],
      [2, r.expected, usage],
    ] as const) {
      const body = { Receipt: r.id, Revision: String(revision), UsageDecision: code };
      add(lims, 'statement', { receiptId: r.id, revision, outcome });
      add(erp, 'statement', body);
    }
  }
  const labels = ['good-1', 'good-2', 'good-3'];
  erp.receipts.push({
    receiptId: 'good',
    revision: 2,
    usageDecision: 'USE-PERMITTED',
    usage: 'released',
    highestSeen: 2,
    releasedAt: second(40),
    releasedContainers: labels,
    issuedContainers: labels,
  });
  erp.issues.push({
    event: 'issued',
    at: second(50),
    askedAt: second(49),
    receiptId: 'good',
    revision: 2,
    containers: labels,
  });
  return {
    truth: { receipts, measured, drums },
    lims,
    erp,
    destinations: () => [
      { name: 'lims', kind: 'askable', books: lims, fields: LIMS, refusesDeclared: true },
      { name: 'erp', kind: 'honours', books: erp, fields: ERP, refusesDeclared: false },
    ],
  };
}

function measurement(
  r: StoryReceipt,
  drum: StoryReceipt['drums'][number],
  i: number,
): MeasuredResult {
  const isTrue = drum.holds === 'paracetamol';
  return {
    resultId: `res-${drum.label}`,
    serial: 'NQ-R-0001',
    runNumber: i + 1,
    receiptId: r.id,
    receiptScan: r.scanText,
    containerScan: drum.label,
    material: r.material,
    lot: r.siteLot,
    methodId: 'ID-NQ-1001',
    methodVersion: '1',
    operatorId: 'op-11',
    measuredAt: `2026-03-04T10:00:${String(10 + i)}.250+00:00`,
    decision: isTrue ? 'pass' : 'fail',
    score: isTrue ? '0.9930' : '0.0123',
    threshold: '0.90',
    drum: drum.label,
    refusedByLims: false,
    fate: 'arrived',
    acknowledgedAt: second(20 + i),
  };
}

function limsResult(result: MeasuredResult): Record<string, unknown> {
  return {
    resultId: result.resultId,
    revision: 1,
    container: result.containerScan,
    decision: result.decision,
    score: result.score,
    measuredAt: result.measuredAt,
  };
}

function erpResult(result: MeasuredResult): Record<string, string> {
  return {
    ResultId: result.resultId,
    Revision: '1',
    Container: result.containerScan,
    Decision: result.decision,
    Score: result.score ?? '',
  };
}

/** Adds an entry that arrived and took effect after all others. */
export function add(books: MutableBooks, messageType: string, body: Record<string, unknown>): void {
  const n = books.messages.length + 1;
  const reference = `delivery-${n}`;
  const isErp = 'Receipt' in body || 'ResultId' in body;
  books.messages.push({
    number: String(n),
    reference,
    messageType,
    key: null,
    content: isErp
      ? erpMessage(reference, messageType, body as Record<string, string>)
      : JSON.stringify({ reference, messageType, ...body }),
    state: null,
    arrivedAt: second(n),
    applied: true,
    appliedAt: second(n),
  });
}

/** Swaps the moments at which two entries arrived and took effect. */
export function swap(books: MutableBooks, a: number, b: number): void {
  const first = books.messages[a] as StoredMessage;
  const other = books.messages[b] as StoredMessage;
  const moment = { arrivedAt: first.arrivedAt, appliedAt: first.appliedAt };
  books.messages[a] = { ...other, ...moment };
  books.messages[b] = { ...first, arrivedAt: other.arrivedAt, appliedAt: other.appliedAt };
}
