import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { attributePlan } from '../../src/receipts/attribute-plan.js';
import {
  AQLS,
  CODE_LETTERS,
  INSPECTION_LEVELS,
  MASTER_ROWS,
  WHO_TABLES,
} from '../../src/receipts/published-plans.js';
import { requiredCount, whoCount } from '../../src/receipts/sampling-plan.js';
import { tableRows } from '../support/markdown.js';
import { describeWithShared } from '../support/shared.js';

/** The published tables beside ours; the page they stand on says of each where it comes from. */

const pageOf = (shared: string) =>
  readFileSync(join(shared, 'standards', 'sampling-and-rounding.md'), 'utf8');

describeWithShared('sampling tables', (shared) => {
  it('sqrt(N) + 1 in three roundings (computed; a custom without an official text)', () => {
    const rows = tableRows(pageOf(shared), ['N', 'sqrt(N)+1', 'ceiling', 'nearest', 'floor']);
    expect(rows).toHaveLength(8);
    for (const [size, , ...counts] of rows) {
      const n = Number(size);
      const asked = (['up', 'nearest', 'down'] as const).map((r) => requiredCount('sqrt', r, n));
      const printed = counts.map((text) => Number(/cap at N: (\d+)/.exec(text)?.[1] ?? text));
      expect({ n, asked }).toEqual({ n, asked: printed });
    }
  });

  it('MIL-STD-105E table I, every code letter', () => {
    const levels = [...INSPECTION_LEVELS];
    const rows = tableRows(pageOf(shared), ['lot size', ...levels]);
    const ours = CODE_LETTERS.map(([upTo, letters], at) => {
      const from = at === 0 ? 2 : (CODE_LETTERS[at - 1]?.[0] ?? 0) + 1;
      const lot = Number.isFinite(upTo) ? `${from}-${upTo}` : `over ${from - 1}`;
      return [lot, ...letters];
    });
    expect(ours).toEqual(rows);
    expect(rows.flat().join('')).not.toMatch(/[IO]/);
  });

  it('MIL-STD-105E table II-A, single sampling, normal inspection, every cell', () => {
    const rows = tableRows(pageOf(shared), ['code', 'n', ...AQLS]);
    expect(
      MASTER_ROWS.map((row) => [row.letter, String(row.size), ...row.cells.map(String)]),
    ).toEqual(rows);
  });
});

describe('MIL-STD-105E / ISO 2859-1', () => {
  // Worked examples of the project's sampling notes, from the two tables.
  it.each([
    [200, '1.0', { letter: 'H', n: 50, accept: 1, reject: 2, isWholeLot: false }],
    [200, '0.65', { letter: 'F', n: 20, accept: 0, reject: 1, isWholeLot: false }],
    [6, '2.5', { letter: 'C', n: 5, accept: 0, reject: 1, isWholeLot: false }],
    [6, '1.0', { letter: 'E', n: 6, accept: 0, reject: 1, isWholeLot: true }],
  ] as const)('lot of %i, level II, AQL %s', (lot, aql, plan) => {
    expect(attributePlan(lot, 'II', aql)).toEqual({ ok: true, plan });
  });

  it('resolves every arrow to a plan, in the direction it shows and to the first one there', () => {
    for (const [at, { cells, letter }] of MASTER_ROWS.entries()) {
      for (const [column, cell] of cells.entries()) {
        if (typeof cell === 'number') continue;
        const way = cell === 'up' ? MASTER_ROWS.slice(0, at).reverse() : MASTER_ROWS.slice(at + 1);
        const target = way.find((row) => typeof row.cells[column] === 'number');
        expect(target, `${letter}, AQL ${AQLS[column]}`).toBeDefined();
        const between = way.slice(0, way.indexOf(target ?? way[0] ?? fail()));
        for (const row of between) expect(row.cells[column]).toBe(cell);
      }
    }
  });

  it('looks at one container of one, and never at more than there are', () => {
    for (const level of INSPECTION_LEVELS) {
      for (const aql of AQLS) {
        for (const lot of [1, 2, 8, 9, 150, 151, 20_000]) {
          const answer = attributePlan(lot, level, aql);
          if (!answer.ok) throw new Error(answer.message);
          expect(answer.plan.n).toBeLessThanOrEqual(lot);
          expect(answer.plan.reject).toBe(answer.plan.accept + 1);
        }
      }
    }
    expect(attributePlan(1, 'II', '1.0')).toMatchObject({ plan: { n: 1, accept: 0 } });
  });

  it('says so where a lot leads to a row that the table does not hold', () => {
    expect(attributePlan(500_001, 'III', '1.0')).toMatchObject({ ok: false });
    expect(attributePlan(500_001, 'II', '1.0')).toMatchObject({ ok: true });
    for (const wrong of [0, -1, 1.5, Number.NaN]) {
      expect(() => attributePlan(wrong, 'II', '1.0')).toThrow(RangeError);
    }
  });
});

describe('WHO Technical Report Series 929 (2005), Annex 4, Appendix 5 (from memory)', () => {
  const formulas = {
    n: (n: number) => Math.min(n, 1 + Math.round(Math.sqrt(n))),
    p: (n: number) => Math.min(n, Math.ceil(0.4 * Math.sqrt(n))),
    r: (n: number) => Math.min(n, Math.ceil(1.5 * Math.sqrt(n))),
  };

  it.each([
    ['n', 7],
    ['p', 3],
    ['r', 10],
  ] as const)('worked example, 40 containers by the %s plan: %i', (plan, taken) => {
    expect(whoCount(WHO_TABLES[plan], 40)).toBe(taken);
    expect(formulas[plan](40)).toBe(taken);
  });

  it('the p and r plans identify every container; what they reduce are later tests', () => {
    for (const n of [1, 4, 40, 306, 20_000]) {
      expect(requiredCount('who-p', 'up', n)).toBe(n);
      expect(requiredCount('who-r', 'up', n)).toBe(n);
    }
  });

  // The table rules. Where it and its formula differ is documented in docs/sampling.md, number by number.
  it.each([
    ['n', [3, 13], 90],
    ['p', [2, 3, 4, 5, 6], 306],
    ['r', [22], 44],
  ] as const)(
    'the %s plan differs from its formula at N = %j alone, and the table rules',
    (plan, differing, last) => {
      const table = WHO_TABLES[plan];
      const numbers = Array.from({ length: last }, (_, at) => at + 1);
      const found = numbers.filter((n) => whoCount(table, n) !== formulas[plan](n));
      expect(found).toEqual(differing);
      const row = (n: number) => table.rows.find(([upTo]) => n <= upTo)?.[1] ?? 0;
      for (const n of numbers) expect(whoCount(table, n)).toBe(Math.min(n, row(n)));
    },
  );

  it('goes on by its formulas behind the last row', () => {
    for (const [plan, from] of [
      ['n', 91],
      ['p', 307],
      ['r', 45],
    ] as const) {
      for (let n = from; n <= 20_000; n += 1) {
        expect(whoCount(WHO_TABLES[plan], n), `${plan} ${n}`).toBe(formulas[plan](n));
      }
    }
  });

  it('identifies every container up to four by the n plan, whatever its table says', () => {
    expect([0, 1, 2, 3, 4, 5].map((n) => requiredCount('who-n', 'up', n))).toEqual([
      0, 1, 2, 3, 4, 3,
    ]);
  });
});

function fail(): never {
  throw new Error('no plan in that direction');
}
