import { describe, expect, test } from 'vitest';
import { buildDayView, type DayFacts } from '../../src/dashboard/build-day-view.js';
import { renderDayPage } from '../../src/dashboard/day.page.js';
import { CLASSES_OF_STAGE } from '../../src/dashboard/day-stages.js';
import { CLASS_ORDER, ITEMS_SHOWN_MAX } from '../../src/dashboard/discrepancy-groups.js';
import { DISCREPANCY_TITLES } from '../../src/dashboard/wording.js';
import type { Discrepancy } from '../../src/reconciliation/compare.js';
import type { PeriodCounts } from '../../src/reconciliation/reconciliation-report.js';
import type { StatementOutcome } from '../../src/records/statement-record.js';
import type { DiscrepancyClass } from '../../src/storage/tables.js';
import { ids, links, text } from './html.js';
import { at, condition, statement } from './sample-views.js';

const ALL_CLASSES = Object.keys(DISCREPANCY_TITLES) as DiscrepancyClass[];

const COUNTS: PeriodCounts = {
  receipts: 1,
  expectedContainers: 6,
  measuredContainers: 4,
  acceptedResults: 5,
  heldResults: 2,
  supersededResults: 0,
  heldBundles: 1,
  refusedBundles: 1,
  deliveredResults: 4,
  confirmedResults: 3,
  byDestination: [
    { destination: 'lims', delivered: 5, confirmed: 4 },
    { destination: 'erp', delivered: 4, confirmed: 3 },
  ],
};

function discrepancy(cls: DiscrepancyClass, n = 1): Discrepancy {
  return {
    class: cls,
    subject: `${cls} ${n}`,
    detail: `detail of ${cls} ${n}`,
    receiptId: null,
    containerLabel: null,
    destination: null,
    openedAt: at('2026-06-04T09:00:00Z'),
  };
}

function receipt(
  receiptId: string,
  outcome: StatementOutcome | null,
): DayFacts['receipts'][number] {
  const identity = { ...statement().receipt, receiptId };
  return {
    receipt: identity,
    statement: outcome && statement({ receipt: identity, outcome, stopInForce: null }),
  };
}

function facts(change: Partial<DayFacts> = {}): DayFacts {
  return {
    site: {
      site: 'northquay',
      title: 'Northquay',
      environment: 'training',
      simulated: true,
      timeZone: 'Europe/London',
      areas: [{ id: 'east-dock', title: 'East dock' }],
      materials: [{ code: 'NQ-1001', name: 'Paracetamol', furtherIdentityTests: [] }],
    },
    day: '2026-06-04',
    now: at('2026-06-04T13:20:11Z'),
    report: { counts: COUNTS, discrepancies: [] },
    receipts: [],
    ...change,
  };
}

describe('buildDayView', () => {
  test('takes every figure of the stages from the reconciliation report', () => {
    const view = buildDayView(facts());
    const figures = view.stages.map((s) => [s.key, s.count, s.of, s.unit]);
    expect(figures).toEqual([
      ['expected', 6, null, 'containers'],
      ['measured', 4, 6, 'containers'],
      ['accepted', 5, 7, 'results'],
      ['delivered', 4, 5, 'results'],
      ['confirmed', 3, 5, 'results'],
      ['statements', 0, 0, 'conform'],
    ]);
    expect(view.stages.map((s) => s.note)).toEqual([
      'on 1 receipt line',
      null,
      'bundles: 1 held, 1 refused',
      'lims 5, erp 4',
      'lims 4, erp 3',
      null,
    ]);
  });

  test('puts every class of discrepancy at exactly one stage and into the list once', () => {
    const staged = Object.values(CLASSES_OF_STAGE).flat();
    expect([...staged].sort()).toEqual([...ALL_CLASSES].sort());
    expect([...CLASS_ORDER].sort()).toEqual([...ALL_CLASSES].sort());
  });

  test('links every shortfall of every class to a list that the page has', () => {
    const view = buildDayView(
      facts({
        report: { counts: COUNTS, discrepancies: ALL_CLASSES.map((cls) => discrepancy(cls)) },
        receipts: [
          receipt('R-1', 'incomplete'),
          receipt('R-2', 'does-not-conform'),
          receipt('R-3', null),
        ],
      }),
    );
    const shortfalls = view.stages.flatMap((s) => s.shortfalls);
    expect(shortfalls).toHaveLength(ALL_CLASSES.length + 5);
    const html = renderDayPage(view);
    const targets = ids(html);
    for (const { href } of shortfalls) {
      expect(links(html)).toContain(href);
      expect(targets, href).toContain(href.slice(1));
    }
  });

  test('counts all discrepancies of a class, also those it does not list', () => {
    const many = Array.from({ length: ITEMS_SHOWN_MAX + 7 }, (_, i) => discrepancy('held', i));
    const view = buildDayView(facts({ report: { counts: COUNTS, discrepancies: many } }));
    expect(view.discrepancies[0]?.count).toBe(ITEMS_SHOWN_MAX + 7);
    expect(view.discrepancies[0]?.items).toHaveLength(ITEMS_SHOWN_MAX);
    expect(view.stages[2]?.shortfalls).toEqual([
      { count: ITEMS_SHOWN_MAX + 7, text: 'held', href: '#class-held' },
    ]);
    expect(renderDayPage(view)).toContain('7 more;');
  });

  test('puts receipts that need a person first, then by id', () => {
    const view = buildDayView(
      facts({
        receipts: [
          receipt('R-5', 'conforms'),
          receipt('R-4', null),
          receipt('R-3', 'incomplete'),
          receipt('R-2', 'does-not-conform'),
          receipt('R-1', 'conforms'),
        ],
      }),
    );
    expect(view.receipts.map((r) => r.receiptId)).toEqual(['R-2', 'R-3', 'R-4', 'R-1', 'R-5']);
    expect(view.stages[5]?.count).toBe(2);
    expect(view.stages[5]?.of).toBe(5);
  });

  test('shows names of material and area, and beside a contradiction nothing that is merely missing', () => {
    const view = buildDayView(
      facts({ receipts: [{ receipt: statement().receipt, statement: statement() }] }),
    );
    const line = view.receipts[0];
    expect(line?.material).toBe('NQ-1001 Paracetamol');
    expect(line?.area).toBe('East dock');
    expect(line?.unmet.map((c) => `${c.title}: ${c.state}`)).toEqual([
      'No contrary result: contradicted',
    ]);
    expect(line?.stop).toEqual({
      kind: 'withdraw',
      reason: 'Drum D-02 failed after the receipt conformed.',
    });
    expect(line?.tiles.counts).toEqual({
      covered: 1,
      contrary: 1,
      'not-measured': 0,
      'not-required': 0,
    });
  });

  test('names every condition not met, those not evaluated last, and gives room to four', () => {
    const codes = [
      'coverage',
      'recheck',
      'methods-by-content',
      'retest-date',
      'second-person',
      'deliveries-confirmed',
    ] as const;
    const record = statement({
      conditions: codes.map((code) =>
        condition({
          code,
          state: code === 'coverage' ? 'not-evaluated' : 'unmet',
          found: 'x'.repeat(500),
        }),
      ),
    });
    const view = buildDayView(
      facts({ receipts: [{ receipt: record.receipt, statement: record }] }),
    );
    const line = view.receipts[0];
    expect(line?.unmet.map((c) => c.title)).toEqual([
      'Recheck of score and decision',
      'Methods as approved, by content',
      'Retest date ahead',
      'Second person',
    ]);
    expect(line?.unmetMore).toEqual(['Deliveries confirmed', 'Required containers covered']);
    expect(line?.unmet[0]?.found).toHaveLength(160);
    expect(text(renderDayPage(view))).toContain(
      'And 2 more : Deliveries confirmed, Required containers covered',
    );
  });

  test('says what the destinations still owe', () => {
    const view = buildDayView(facts());
    expect(view.stages[3]?.shortfalls).toEqual([
      { count: 1, text: 'not everywhere yet', href: '#receipts' },
    ]);
    expect(view.stages[4]?.shortfalls).toEqual([
      { count: 2, text: 'not confirmed yet', href: '#receipts' },
    ]);
  });

  test('says how a discrepancy is closed, and since when it is open', () => {
    const view = buildDayView(
      facts({ report: { counts: COUNTS, discrepancies: [discrepancy('run-gap')] } }),
    );
    const group = view.discrepancies[0];
    expect(group?.remedy).toContain('Closed by the bundle that holds the missing runs.');
    expect(group?.items[0]?.age).toBe('4 h 20 min');
    expect(group?.items[0]?.openedAt?.text).toBe('2026-06-04 10:00:00 UTC+01:00');
  });
});
