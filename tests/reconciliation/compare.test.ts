import { describe, expect, it } from 'vitest';
import { addMs, type Instant } from '../../src/formats/instant.js';
import {
  type Comparison,
  compare,
  type Discrepancy,
  deliveryClasses,
  type MeasuredResult,
  type SentDelivery,
} from '../../src/reconciliation/compare.js';
import {
  DISCREPANCY_RULES,
  parseScope,
  scopeCovers,
} from '../../src/reconciliation/discrepancies.js';
import {
  countPeriod,
  discrepanciesCsv,
  reconciliationJson,
} from '../../src/reconciliation/reconciliation-report.js';

const now = 1_000_000_000 as Instant;
const labels = Array.from({ length: 12 }, (_, i) => `D-${i + 1}`);

function result(label: string | null, changes: Partial<MeasuredResult> = {}): MeasuredResult {
  return {
    rowId: `row-${label}`,
    resultId: `result-${label}`,
    state: 'accepted',
    receiptId: 'R-1',
    receiptScanned: 'RC-1',
    containerLabel: label,
    containerScanned: label,
    ...changes,
  };
}

const sent: SentDelivery = {
  deliveryId: 'x',
  subjectKind: 'result',
  receiptId: 'R-1',
  destination: 'lims',
  state: 'confirmed',
  fault: null,
  reason: null,
  createdAt: now,
};

const all: Comparison = {
  expected: labels.map((label) => ({ receiptId: 'R-1', label, required: true })),
  results: labels.map((l) => result(l)),
  deliveries: [],
  open: [],
  now,
  overdueAfterMs: 1000,
};

const classes = (comparison: Comparison) =>
  compare(comparison).map((d) => `${d.class} ${d.subject}`);

describe('comparison', () => {
  it('finds nothing when every container is measured', () => {
    expect(compare(all)).toEqual([]);
  });

  // Source: "12 results over 12 containers with one duplicate and one missing", the project's sampling notes.
  it('counts containers, not results: one drum twice and one never', () => {
    const results = [
      ...labels.slice(0, 11).map((l) => result(l)),
      result('D-1', { rowId: 'again' }),
    ];
    expect(results).toHaveLength(12);
    expect(classes({ ...all, results })).toEqual(['not-measured container:["R-1","D-12"]']);
  });

  it('says which findings hold a result, where they are known', () => {
    const held = (changes: Partial<MeasuredResult>) =>
      compare({ ...all, expected: [], results: [result('D-1', { state: 'held', ...changes })] });
    expect(held({ heldBy: ['part-digest', 'recheck-disagrees'] })[0]?.detail).toBe(
      'result result-D-1 is held: part-digest, recheck-disagrees',
    );
    expect(held({})[0]?.detail).toBe('result result-D-1 is held');
  });

  it('does not take the same label of another receipt, or a held result, for the container', () => {
    const results = [
      ...labels.slice(0, 11).map((l) => result(l)),
      result('D-12', { receiptId: 'R-2' }),
    ];
    expect(classes({ ...all, results })).toContain('not-measured container:["R-1","D-12"]');
    const held = [...labels.slice(0, 11).map((l) => result(l)), result('D-12', { state: 'held' })];
    expect(classes({ ...all, results: held })).toEqual([
      'held result:row-D-12',
      'not-measured container:["R-1","D-12"]',
    ]);
  });

  it('asks only for containers the plan asks for', () => {
    const expected = labels.map((label) => ({
      receiptId: 'R-1',
      label,
      required: label === 'D-1',
    }));
    expect(compare({ ...all, expected, results: [result('D-1')] })).toEqual([]);
  });

  it('names results that nobody expected, by receipt or by container', () => {
    const results = [
      ...all.results,
      result(null, { rowId: 'a', containerScanned: 'X' }),
      result(null, { rowId: 'b', receiptId: null, receiptScanned: 'RC-9' }),
    ];
    expect(classes({ ...all, results })).toEqual([
      'not-expected result:a',
      'not-expected result:b',
    ]);
  });

  it('lists a difference once, as the event that opened it', () => {
    const opened: Discrepancy = {
      class: 'not-expected',
      subject: 'result:a',
      detail: 'as opened',
      receiptId: null,
      containerLabel: null,
      destination: null,
      openedAt: now,
    };
    const results = [...all.results, result(null, { rowId: 'a' })];
    expect(compare({ ...all, results, open: [opened] })).toEqual([opened]);
  });

  it('tells deliveries apart by what is wrong with them', () => {
    const table = [
      ['confirmed', null, []],
      ['confirmed', 'absent', []],
      ['confirmed', 'duplicate', ['duplicate-at-destination']],
      ['cancelled', 'rejected', []],
      ['superseded', null, []],
      ['rejected', 'rejected', ['rejected']],
      ['parked', 'cannot-ask', ['parked']],
      ['parked', 'differs', ['differs']],
      ['uncertain', null, ['uncertain']],
      ['uncertain', 'absent', ['absent']],
      ['due', 'not-effective', ['stop-not-effective']],
      ['due', 'duplicate', ['duplicate-at-destination']],
      ['due', null, []],
      ['accepted', null, []],
    ] as const;
    for (const [state, fault, expected] of table) {
      expect([state, fault, deliveryClasses({ state, fault }, false)]).toEqual([
        state,
        fault,
        expected,
      ]);
    }
    expect(deliveryClasses({ state: 'accepted', fault: null }, true)).toEqual(['overdue']);
  });

  it('counts a delivery as overdue only past the time given', () => {
    const waiting = { ...sent, state: 'due', createdAt: addMs(now, -1000) } as const;
    expect(compare({ ...all, deliveries: [waiting] })).toEqual([]);
    expect(classes({ ...all, deliveries: [{ ...waiting, createdAt: addMs(now, -1001) }] })).toEqual(
      ['overdue delivery:x'],
    );
  });

  it('gives two containers of one name each only if receipt and label differ', () => {
    const expected = [
      { receiptId: 'R-1', label: 'A', required: true },
      { receiptId: 'R', label: '-1A', required: true },
      { receiptId: 'R-1A', label: '', required: true },
    ];
    expect(new Set(classes({ ...all, expected, results: [] })).size).toBe(3);
  });
});

describe('rule 10: what a scope covers', () => {
  const at = (n: number) => n as Instant;
  const receipt = { areas: ['east'], material: 'M', receivedAt: at(100), instruments: ['I-1'] };
  const areas = new Map([
    ['I-1', 'east'],
    ['I-2', 'east'],
    ['I-3', 'west'],
  ]);
  const covers = (scope: Parameters<typeof scopeCovers>[0], changes = {}) =>
    scopeCovers(scope, { ...receipt, ...changes }, areas);

  it('narrows by instrument, area, material and time, and by each of them alone', () => {
    expect(covers({})).toBe(true);
    expect(covers({ instruments: ['I-2'] })).toBe(true);
    expect(covers({ instruments: ['I-3'] })).toBe(false);
    expect(covers({ areas: ['west'] })).toBe(false);
    expect(covers({ areas: ['west', 'east'] })).toBe(true);
    expect(covers({ materials: ['N'] })).toBe(false);
    expect(covers({ to: at(99) })).toBe(false);
    expect(covers({ to: at(100) })).toBe(true);
    expect(covers({ instruments: ['I-2'], materials: ['N'] })).toBe(false);
  });

  it('rules nothing out that is not known', () => {
    expect(covers({ areas: ['west'] }, { areas: [] })).toBe(true);
    expect(covers({ materials: ['N'] }, { material: null })).toBe(true);
    expect(covers({ to: at(1) }, { receivedAt: null })).toBe(true);
    expect(covers({ instruments: ['unregistered'] })).toBe(true);
    expect(covers({ from: at(900) })).toBe(true);
  });

  it('covers a receipt that the instrument measured, wherever the instrument belongs', () => {
    expect(covers({ instruments: ['I-3'] }, { instruments: ['I-3'] })).toBe(true);
  });

  it('reads an unreadable or missing stored scope as covering everything', () => {
    for (const text of [null, '', 'nonsense', '[]', '{"areas":"west"}', '{"to":"soon"}', 'null']) {
      expect(parseScope(text)).toEqual({});
    }
    expect(parseScope('{"areas":["west"],"to":5}')).toEqual({ areas: ['west'], to: 5 });
  });
});

describe('the report', () => {
  it('counts containers, results and confirmations', () => {
    const counts = countPeriod({
      receipts: 1,
      expected: all.expected,
      results: [
        result('D-1'),
        result('D-1', { rowId: 'again' }),
        result('D-2', { state: 'held' }),
        result('D-3'),
      ],
      deliveries: [
        { resultRowId: 'row-D-1', destination: 'lims', state: 'confirmed' },
        { resultRowId: 'row-D-1', destination: 'erp', state: 'confirmed' },
        { resultRowId: 'row-D-3', destination: 'lims', state: 'accepted' },
        { resultRowId: 'row-D-3', destination: 'erp', state: 'confirmed' },
        { resultRowId: 'row-D-2', destination: 'erp', state: 'confirmed' },
      ],
      bundles: { held: 1, refused: 2 },
      destinations: ['lims', 'erp'],
    });
    expect(counts).toEqual({
      receipts: 1,
      expectedContainers: 12,
      measuredContainers: 2,
      acceptedResults: 3,
      heldResults: 1,
      supersededResults: 0,
      heldBundles: 1,
      refusedBundles: 2,
      deliveredResults: 2,
      confirmedResults: 1,
      byDestination: [
        { destination: 'lims', delivered: 2, confirmed: 1 },
        { destination: 'erp', delivered: 2, confirmed: 2 },
      ],
    });
  });

  it('writes CSV that no spreadsheet runs as a formula, and JSON with readable instants', () => {
    const discrepancy: Discrepancy = {
      class: 'not-measured',
      subject: 'container:["R-1","=1+1"]',
      detail: 'said "no"',
      receiptId: 'R-1',
      containerLabel: '=1+1',
      destination: null,
      openedAt: 0 as Instant,
    };
    const csv = discrepanciesCsv({ discrepancies: [discrepancy] });
    expect(csv.split('\r\n')[1]).toBe(
      `not-measured,"container:[""R-1"",""=1+1""]",R-1,'=1+1,,"said ""no""",1970-01-01T00:00:00.000000Z,"a measurement of the container, or a corrected receipt"`,
    );
    const report = {
      site: 's',
      from: '',
      to: '',
      generatedAt: '',
      statements: [],
      stops: 0,
      discrepancies: [discrepancy],
      counts: countPeriod({
        receipts: 0,
        expected: [],
        results: [],
        deliveries: [],
        bundles: { held: 0, refused: 0 },
        destinations: [],
      }),
    };
    expect(JSON.parse(reconciliationJson(report))).toMatchObject({
      discrepancies: [{ openedAt: '1970-01-01T00:00:00.000000Z' }],
    });
  });

  it('names for every class what closes it', () => {
    for (const rule of Object.values(DISCREPANCY_RULES)) {
      expect(rule.title.length).toBeGreaterThan(10);
      expect(rule.closedBy.length).toBeGreaterThan(10);
    }
    expect(Object.keys(DISCREPANCY_RULES)).toHaveLength(18);
  });
});
