import { describe, expect, test } from 'vitest';
import { renderInstrument } from '../../src/dashboard/instrument.page.js';
import { renderInstruments } from '../../src/dashboard/instrument-list.page.js';
import { CHART, chartGeometry } from '../../src/dashboard/trend-geometry.js';
import type { Decimal } from '../../src/formats/decimal.js';
import type {
  PeakTrend,
  ShownCheck,
  ShownPerformance,
} from '../../src/statements/performance-view.js';
import { dec } from '../checks/fixture.js';

const SITE = {
  title: 'Northquay',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
} as const;
const FRAME = { site: SITE, asOf: null, signedIn: null } as unknown as Parameters<
  typeof renderInstrument
>[1];

function trend(deviations: readonly (readonly [string, string])[]): PeakTrend {
  const expected = dec('1001.4');
  return {
    standard: 'polystyrene',
    expected,
    tolerance: dec('2.5'),
    action: dec('2.0'),
    warning: dec('1.5'),
    points: deviations.map(([checkedAt, deviation], i) => ({
      checkId: `P-${i}`,
      checkedAt,
      observed: (1001.4 + Number(deviation)).toFixed(1) as Decimal,
      deviation,
      state: Math.abs(Number(deviation)) > 2.5 ? 'out' : 'within',
    })),
    slopePerDay: null,
    state: 'within',
    run: null,
  };
}

const asIs = (text: string) => text;

describe('the chart of a band', () => {
  const rising = trend([
    ['2026-03-01T00:00:00Z', '-2.5'],
    ['2026-03-02T00:00:00Z', '0.0'],
    ['2026-03-04T00:00:00Z', '2.5'],
  ]);

  test('places points by their time and deviation, on the lines that they lie on', () => {
    const drawn = chartGeometry(rising, asIs);
    const [first, second, third] = drawn?.points ?? [];
    const lineAt = (label: string) => drawn?.lines.find((line) => line.label === label)?.y;
    expect([first?.y, second?.y, third?.y]).toEqual([
      lineAt('tolerance -2.5'),
      lineAt('expected'),
      lineAt('tolerance +2.5'),
    ]);
    // Twice as long from the second to the third.
    const [a, b, c] = [first?.x ?? 0, second?.x ?? 0, third?.x ?? 0];
    expect((c - b) / (b - a)).toBeCloseTo(2, 1);
    expect(third?.title).toBe('2026-03-04T00:00:00Z: 1003.9 cm-1, +2.5, within');
  });

  test('shows both tolerances whatever was observed, and everything beyond them', () => {
    for (const far of ['0.0', '40.0', '-40.0']) {
      const drawn = chartGeometry(trend([['2026-03-01T00:00:00Z', far]]), asIs);
      const heights = [...(drawn?.points ?? []), ...(drawn?.lines ?? [])].map(({ y }) => y);
      expect(drawn?.lines).toHaveLength(7);
      expect(Math.min(...heights)).toBeGreaterThan(CHART.top);
      expect(Math.max(...heights)).toBeLessThan(CHART.height - CHART.bottom);
    }
  });

  test('never writes two words over each other', () => {
    const drawn = chartGeometry(trend([['2026-03-01T00:00:00Z', '40.0']]), asIs);
    const written = (drawn?.lines ?? []).filter(({ label }) => label !== null);
    for (const one of written) {
      const near = written.filter((other) => Math.abs(other.y - one.y) < 11);
      expect(near).toEqual([one]);
    }
  });

  test('of nothing is none', () => {
    expect(chartGeometry(trend([]), asIs)).toBeNull();
  });
});

const check = (n: number, over: Partial<ShownCheck> = {}): ShownCheck => ({
  rowId: `row-${n}`,
  checkId: `P-${n}`,
  epoch: 0,
  run: n,
  checkedAt: `2026-03-0${n}T09:00:00Z`,
  standard: 'polystyrene',
  reported: 'pass',
  verdict: 'pass',
  worst: { expected: dec('1001.4'), deviation: '0.2', tolerance: dec('2.5'), state: 'within' },
  isCauseSigned: false,
  cause: null,
  ...over,
});

const VIEW: ShownPerformance = {
  serial: 'NQ-<R>-1',
  registered: {
    model: 'Dock 1',
    area: 'east',
    inService: true,
    inServiceSince: '2026-01-01T00:00:00Z',
    outOfService: [{ from: '2026-02-01T00:00:00Z', to: null, decision: 'DR-9' }],
  },
  heardAt: '2026-03-04T10:00:00Z',
  checks: [
    check(1, {
      verdict: 'fail',
      cause: { by: 'Robin <Reviewer>', at: '2026-03-02T00:00:00Z', reason: 'stood askew' },
      isCauseSigned: true,
    }),
    check(2, { verdict: 'fail', reported: 'fail' }),
    check(3),
  ],
  trend: [trend([['2026-03-01T00:00:00Z', '-0.2']])],
  caution: 'local procedures decide',
};

describe('the page of an instrument', () => {
  const page = renderInstrument(VIEW, FRAME);

  test('lists its checks newest first, with verdict, worst deviation and cause', () => {
    const rows = page.split('<tr id="check-').slice(1);
    expect(rows.map((row) => row.slice(0, 5))).toEqual(['row-3', 'row-2', 'row-1']);
    expect(rows[0]).toContain('passed');
    expect(rows[0]).toContain('+0.2 cm⁻¹ at 1001.4');
    expect(rows[1]).toContain('not signed');
    expect(rows[2]).toContain('stood askew');
  });

  test('says what the registration, the last sync and the caution say', () => {
    expect(page).toContain('2026-03-04 10:00:00');
    expect(page).toContain('out of service from');
    expect(page).toContain('DR-9');
    expect(page).toContain('local procedures decide');
  });

  test('draws every band and gives its numbers, without script or style of its own', () => {
    expect(page).toContain('role="img"');
    expect(page).toContain('Numbers of this chart');
    expect(page).not.toMatch(/<script|style="/);
    expect(page).not.toContain('<R>');
    expect(page).not.toContain('<Reviewer>');
  });

  test('says of a band that it drifts once the run is long enough, and by whose rule', () => {
    const run = {
      side: 'above',
      count: 8,
      centre: dec('1001.6'),
      points: 8,
      source: 'procedure <7>',
      isPast: true,
    } as const;
    const drifting = { ...trend([['2026-03-01T00:00:00Z', '0.3']]), run };
    const shown = renderInstrument({ ...VIEW, trend: [drifting] }, FRAME);
    expect(shown).toContain('8 checks in a row above the centre 1001.6');
    expect(shown).toContain('procedure &lt;7');
    const short = { ...drifting, run: { ...run, count: 7, isPast: false } };
    expect(renderInstrument({ ...VIEW, trend: [short] }, FRAME)).not.toContain('in a row');
  });

  test('of a list leads to each of them', () => {
    const list = renderInstruments([{ ...VIEW, latest: check(3), heardAt: null }], FRAME);
    expect(list).toContain('href="/instruments/NQ-%3CR%3E-1"');
    expect(list).toContain('never');
  });
});
