import { describe, expect, it } from 'vitest';
import { addMs, type Instant } from '../../src/formats/instant.js';
import {
  type Comparison,
  compare,
  deliveryClasses,
  type MeasuredResult,
  nextOverdueAt,
  type SentDelivery,
} from '../../src/reconciliation/compare.js';
import { countPeriod } from '../../src/reconciliation/count-period.js';
import {
  DISCREPANCY_RULES,
  parseScope,
  scopeCovers,
} from '../../src/reconciliation/discrepancies.js';
import { tallyReceipt, tallyResults } from '../../src/reconciliation/tally.js';

const now = 1_000_000_000 as Instant;
const labels = Array.from({ length: 12 }, (_, i) => `D-${i + 1}`);

function result(label: string | null, changes: Partial<MeasuredResult> = {}): MeasuredResult {
  return {
    rowId: `row-${label}`,
    resultId: `result-${label}`,
    revision: 1,
    state: 'accepted',
    receiptId: 'R-1',
    receiptScanned: 'RC-1',
    containerLabel: label,
    containerScanned: label,
    instrument: 'I-1',
    countsAt: now,
    ...changes,
  };
}

const sent: SentDelivery = {
  deliveryId: 'x',
  subjectKind: 'result',
  subjectId: 'row-D-1',
  subjectRevision: 1,
  build: 1,
  receiptId: 'R-1',
  destination: 'lims',
  state: 'confirmed',
  fault: null,
  reason: null,
  createdAt: now,
};

const all: Comparison = {
  expected: labels.map((label) => ({
    receiptId: 'R-1',
    label,
    required: true,
    receivedAt: now,
  })),
  results: labels.map((l) => result(l)),
  deliveries: [],
  destinations: [],
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
      receivedAt: null,
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

  it('says nothing of an earlier build once a later one of the same message is confirmed', () => {
    const first = { ...sent, state: 'rejected', fault: 'rejected' } as const;
    const second = { ...sent, deliveryId: 'y', build: 2, state: 'due' } as const;
    expect(classes({ ...all, deliveries: [first, second] })).toEqual(['rejected delivery:x']);
    const confirmed = { ...second, state: 'confirmed' } as const;
    expect(classes({ ...all, deliveries: [first, confirmed] })).toEqual([]);
    const elsewhere = { ...confirmed, destination: 'erp' } as const;
    expect(classes({ ...all, deliveries: [first, elsewhere] })).toEqual(['rejected delivery:x']);
  });

  it('knows when a delivery becomes overdue, and that one which is wrong already does not', () => {
    const waiting = { ...sent, state: 'due' } as const;
    expect(nextOverdueAt([waiting], all)).toBe(addMs(now, 1000));
    expect(nextOverdueAt([{ ...waiting, state: 'confirmed' }], all)).toBeNull();
    expect(nextOverdueAt([{ ...waiting, fault: 'absent' }], all)).toBeNull();
    expect(nextOverdueAt([{ ...waiting, createdAt: addMs(now, -2000) }], all)).toBeNull();
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

  it('counts one as overdue that a clock made which was ahead, until the clock comes near its time again', () => {
    const ahead = (byMs: number) =>
      ({ ...sent, state: 'due', createdAt: addMs(now, byMs) }) as const;
    expect(compare({ ...all, deliveries: [ahead(1000)] })).toEqual([]);
    expect(classes({ ...all, deliveries: [ahead(1001)] })).toEqual(['overdue delivery:x']);
    // The last instant at which it is; then it is not, for as long as any other.
    const turn = nextOverdueAt([ahead(5000)], all);
    expect(turn).toBe(addMs(now, 4000) - 1);
    const at = (moment: number) => ({ ...all, now: moment as Instant, deliveries: [ahead(5000)] });
    expect(classes(at(turn ?? 0))).toEqual(['overdue delivery:x']);
    expect(classes(at((turn ?? 0) + 1))).toEqual([]);
    expect(nextOverdueAt([ahead(5000)], at((turn ?? 0) + 1))).toBe(addMs(now, 6000));
  });

  it('gives two containers of one name each only if receipt and label differ', () => {
    const expected = [
      { receiptId: 'R-1', label: 'A', required: true, receivedAt: null },
      { receiptId: 'R', label: '-1A', required: true, receivedAt: null },
      { receiptId: 'R-1A', label: '', required: true, receivedAt: null },
    ];
    expect(new Set(classes({ ...all, expected, results: [] })).size).toBe(3);
  });
});

describe('rule 10: what a scope covers', () => {
  const at = (n: number) => n as Instant;
  const receipt = { areas: ['east'], material: 'M', receivedAt: at(100), instruments: ['I-1'] };
  const areas = new Map([
    ['I-1', [{ area: 'east', from: at(0), to: null }]],
    ['I-2', [{ area: 'east', from: at(0), to: null }]],
    ['I-3', [{ area: 'west', from: at(0), to: null }]],
    [
      'I-4',
      [
        { area: 'west', from: at(0), to: null },
        { area: 'east', from: at(50), to: at(200) },
      ],
    ],
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

  it('covers a receipt of an area that the instrument was moved from since', () => {
    expect(covers({ instruments: ['I-4'] })).toBe(true);
    expect(covers({ instruments: ['I-4'], to: at(150) })).toBe(true);
    expect(covers({ instruments: ['I-4'] }, { receivedAt: null })).toBe(true);
    // It came there after what was measured, or had left before the receipt was there.
    expect(covers({ instruments: ['I-4'], to: at(49) }, { receivedAt: at(10) })).toBe(false);
    expect(covers({ instruments: ['I-4'] }, { receivedAt: at(200) })).toBe(false);
  });

  it('reads an unreadable or missing stored scope as covering everything', () => {
    for (const text of [null, '', 'nonsense', '[]', '{"areas":"west"}', '{"to":"soon"}', 'null']) {
      expect(parseScope(text)).toEqual({});
    }
    expect(parseScope('{"areas":["west"],"to":5}')).toEqual({ areas: ['west'], to: 5 });
  });
});

describe('counts', () => {
  const results = [
    result('D-1'),
    result('D-1', { rowId: 'again' }),
    result('D-2', { state: 'held' }),
    result('D-3'),
  ];
  const rows = [
    ['row-D-1', 'lims', 'confirmed'],
    ['row-D-1', 'erp', 'confirmed'],
    ['row-D-3', 'lims', 'accepted'],
    ['row-D-3', 'erp', 'confirmed'],
    ['row-D-2', 'erp', 'confirmed'],
  ] as const;

  it('count results and confirmations, each destination and all of them', () => {
    const counts = countPeriod({
      results,
      deliveries: rows.map(([resultRowId, destination, state]) => ({
        resultRowId,
        destination,
        state,
      })),
      destinations: ['lims', 'erp'],
    });
    expect(counts).toEqual({
      acceptedResults: 3,
      heldResults: 1,
      refusedResults: 0,
      supersededResults: 0,
      deliveredResults: 2,
      confirmedResults: 1,
      byDestination: [
        { destination: 'lims', delivered: 2, confirmed: 1 },
        { destination: 'erp', delivered: 2, confirmed: 2 },
      ],
    });
  });

  it('say by day, receipt and instrument what they say all in all', () => {
    const deliveries = rows.map(([subjectId, destination, state], i) => ({
      ...sent,
      deliveryId: `${i}`,
      subjectId,
      destination,
      state,
    }));
    const later = { rowId: 'later', countsAt: addMs(now, 86_400_000), instrument: 'I-2' };
    const cells = tallyResults([...results, result('D-4', later)], deliveries, {
      dayOf: (at) => (at === now ? 'monday' : 'tuesday'),
      destinations: [
        { name: 'lims', required: true },
        { name: 'erp', required: true },
      ],
    });
    const counts = cells.map((c) => [c.day, c.instrument, c.destination, c.accepted, c.delivered]);
    expect(counts).toEqual([
      ['monday', 'I-1', '', 3, 2],
      ['monday', 'I-1', 'lims', 0, 2],
      ['monday', 'I-1', 'erp', 0, 2],
      ['tuesday', 'I-2', '', 1, 0],
    ]);
    const tally = tallyReceipt(
      { receiptId: 'R-1', receivedAt: now },
      all.expected,
      results,
      () => 'monday',
    );
    expect(tally).toMatchObject({ day: 'monday', containers: 12, expected: 12, measured: 2 });
  });

  it('take the latest build of a result for what its destination has', () => {
    const build = (n: number, state: 'confirmed' | 'rejected') =>
      ({ ...sent, deliveryId: `b${n}`, build: n, state }) as const;
    const cells = tallyResults([result('D-1')], [build(2, 'rejected'), build(1, 'confirmed')], {
      dayOf: () => 'monday',
      destinations: [{ name: 'lims', required: true }],
    });
    expect(cells.map((c) => [c.destination, c.delivered])).toEqual([['', 0]]);
  });
});

describe('the rule of a class', () => {
  it('names what it means, what closes it, who sees to it and by when', () => {
    for (const rule of Object.values(DISCREPANCY_RULES)) {
      expect(rule.title.length).toBeGreaterThan(10);
      expect(rule.closedBy.length).toBeGreaterThan(10);
      expect(rule.targetMs).toBeGreaterThan(0);
    }
    expect(Object.keys(DISCREPANCY_RULES)).toHaveLength(22);
  });
});
