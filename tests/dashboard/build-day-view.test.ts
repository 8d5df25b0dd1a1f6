import { describe, expect, test } from 'vitest';
import { buildDayView, type DayFacts } from '../../src/dashboard/build-day-view.js';
import { renderDayPage } from '../../src/dashboard/day.page.js';
import { CLASSES_OF_STAGE } from '../../src/dashboard/day-stages.js';
import { DISCREPANCY_TITLES } from '../../src/dashboard/wording.js';
import type { PeriodCounts } from '../../src/reconciliation/count-period.js';
import { CLASS_ORDER, groupDiscrepancies } from '../../src/reconciliation/discrepancy-grouping.js';
import type { ListedDiscrepancy } from '../../src/reconciliation/listed-discrepancy.js';
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
  refusedResults: 0,
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

function discrepancy(
  cls: DiscrepancyClass,
  n = 1,
  change: Partial<ListedDiscrepancy> = {},
): ListedDiscrepancy {
  return {
    id: `${cls}-${n}`,
    class: cls,
    subject: `${cls} ${n}`,
    detail: `detail of ${cls} ${n}`,
    receiptId: null,
    containerLabel: null,
    destination: null,
    instrument: null,
    fault: null,
    countsFrom: at('2026-06-04T09:00:00Z'),
    openedAt: at('2026-06-04T09:00:00Z'),
    owner: 'role:reviewer',
    targetAt: at('2026-06-05T09:00:00Z'),
    isLate: false,
    closedBy: 'evidence',
    closedAt: null,
    closingEvidence: null,
    ...change,
  };
}

/** A report with these open, grouped as the service groups them. */
function reportOf(discrepancies: readonly ListedDiscrepancy[]): DayFacts['report'] {
  const counted = discrepancies.map((d) => ({
    ...d,
    count: 1,
    late: d.isLate ? 1 : 0,
    oldestAt: d.openedAt,
  }));
  return { counts: COUNTS, groups: groupDiscrepancies(counted), discrepancies };
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
    report: reportOf([]),
    receipts: [],
    outcomes: (change.receipts ?? []).map((r) => r.statement?.outcome ?? null),
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
        report: reportOf(ALL_CLASSES.map((cls) => discrepancy(cls))),
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

  test('shows a dead destination as one line with a count, and the few members of any other cause', () => {
    const dead = Array.from({ length: 10_000 }, (_, i) =>
      discrepancy('overdue', i, { destination: 'erp', receiptId: `R-${i}`, isLate: i < 5 }),
    );
    const single = discrepancy('overdue', 10_001, { destination: 'lims' });
    const view = buildDayView(facts({ report: reportOf([...dead, single]) }));
    const [group] = view.discrepancies;
    expect(group).toMatchObject({ count: 10_001, late: 5, moreLines: 0 });
    expect(group?.lines.map((l) => [l.count, l.items.length])).toEqual([
      [10_000, 0],
      [1, 1],
    ]);
    expect(group?.lines[0]?.href).toBe('/discrepancies?class=overdue&destination=erp&fault=none');
    expect(view.stages[3]?.shortfalls[0]).toEqual({
      count: 10_001,
      text: 'overdue',
      href: '#class-overdue',
    });
    const html = renderDayPage(view);
    expect(html.match(/detail of overdue/g)).toHaveLength(1);
    expect(text(html)).toContain('5 past the target');
  });

  test('keeps the day in the links of a day that is over', () => {
    const held = [1, 2, 3, 4].map((n) => discrepancy('held', n, { receiptId: 'R-1' }));
    const view = buildDayView(facts({ day: '2026-06-01', report: reportOf(held) }));
    expect(view).toMatchObject({ isToday: false, previous: '2026-05-31', next: '2026-06-02' });
    expect(view.discrepancies[0]?.lines[0]?.href).toBe(
      '/discrepancies?class=held&receipt=R-1&day=2026-06-01',
    );
    expect(text(renderDayPage(view))).toContain('Discrepancies open at the end of the day');
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
    const view = buildDayView(facts({ report: reportOf([discrepancy('run-gap')]) }));
    const group = view.discrepancies[0];
    expect(group?.remedy).toContain('Closed by the bundle that holds the missing runs.');
    expect(group?.lines[0]?.items[0]?.age).toBe('4 h 20 min');
    expect(group?.lines[0]?.items[0]?.openedAt.text).toBe('2026-06-04 10:00:00 UTC+01:00');
  });
});
