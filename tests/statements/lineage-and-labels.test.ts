import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { evaluateStatement } from '../../src/statements/evaluate-statement.js';
import type {
  LineageFacts,
  OriginFact,
  ReceiptFacts,
  ResultFact,
  StatementFacts,
} from '../../src/statements/facts.js';
import { facts, now, pass, receipt, withReceipt, withResults } from './conforming-facts.js';

function shown(of: StatementFacts, code: 'labels-verified' | 'receipt-undivided') {
  const draft = evaluateStatement(of, now);
  const { state, found } = draft.conditions.find((c) => c.code === code) ?? {};
  return { outcome: draft.outcome, state, found };
}

const sound: OriginFact = {
  receiptId: 'R-0',
  kind: 'split',
  isSigned: false,
  outcome: 'conforms',
  hadStop: false,
  refused: false,
  refusedSince: false,
  disagreed: false,
  rejected: [],
  contrarySince: 0,
  left: { contrary: 0, unplaced: 0, open: 0 },
};

function withLineage(
  changes: Partial<LineageFacts>,
  status: ReceiptFacts['status'] = 'open',
): StatementFacts {
  return withReceipt({ status, lineage: { ...receipt.lineage, ...changes } });
}

function from(changes: Partial<OriginFact>): StatementFacts {
  return withLineage({ origins: [{ ...sound, ...changes }] });
}

describe('rule 2: labels', () => {
  it('that were not scanned keep a statement incomplete until a second person compared them', () => {
    for (const entry of ['typed', 'chosen', 'carried-over', null] as const) {
      for (const field of ['receiptEntry', 'containerEntry'] as const) {
        const typed = { [field]: entry };
        expect(shown(withResults(pass('D-01', typed), pass('D-02')), 'labels-verified')).toEqual({
          outcome: 'incomplete',
          state: 'unmet',
          found: `container D-01: result result-row-D-01, ${field.slice(0, -5)} ${entry ?? 'entered unknown how'}, compared by no second person`,
        });
        const verified = pass('D-01', { ...typed, labelsVerifiedBy: 'reviewer' });
        expect(shown(withResults(verified, pass('D-02')), 'labels-verified')).toEqual({
          outcome: 'conforms',
          state: 'met',
          found: 'every label was scanned or compared by a second person (1)',
        });
      }
    }
  });

  it('count where another result of the container was scanned, and only where that one covers', () => {
    const typed = pass('D-01', { rowId: 'typed', containerEntry: 'typed' });
    const scanned = pass('D-01', { rowId: 'scanned' });
    const two = (...results: ResultFact[]) =>
      shown(withResults(...results, pass('D-02')), 'labels-verified').state;
    expect(two(typed, scanned)).toBe('met');
    expect(two(typed, { ...scanned, mode: 'identification' })).toBe('unmet');
    expect(two(typed, { ...scanned, state: 'held' })).toBe('unmet');
  });

  it('ask nothing of a container that no result covers, but are not met by it', () => {
    expect(shown(withResults(pass('D-01')), 'labels-verified')).toMatchObject({
      state: 'unmet',
      found: 'container D-02 is not covered yet',
    });
  });
});

describe('rule 19: a receipt', () => {
  it('in one piece, and one that came of a receipt that stood well, may conform', () => {
    expect(shown(facts, 'receipt-undivided')).toMatchObject({ outcome: 'conforms', state: 'met' });
    expect(shown(from({}), 'receipt-undivided')).toEqual({
      outcome: 'conforms',
      state: 'met',
      found: 'came of R-0 (split)',
    });
    expect(shown(from({ outcome: 'incomplete' }), 'receipt-undivided').outcome).toBe('conforms');
  });

  it('that was cancelled, split or merged never conforms', () => {
    expect(shown(withLineage({}, 'cancelled'), 'receipt-undivided')).toMatchObject({
      outcome: 'incomplete',
      found: 'the receipt was cancelled',
    });
    for (const status of ['split', 'merged'] as const) {
      const departures = [{ receiptId: 'R-2', kind: status, outcome: 'conforms' }];
      expect(shown(withLineage({ departures }, status), 'receipt-undivided')).toMatchObject({
        outcome: 'incomplete',
        found: `the receipt was ${status} and went on as R-2`,
      });
      const failed = departures.map((d) => ({ ...d, outcome: 'does-not-conform' }));
      expect(shown(withLineage({ departures: failed }, status), 'receipt-undivided').outcome).toBe(
        'does-not-conform',
      );
    }
  });

  it('that containers left for a receipt of their own does not conform any more', () => {
    for (const kind of ['returned', 'opened', 'repacked'] as const) {
      const departures = [{ receiptId: 'R-9', kind, outcome: 'conforms' }];
      expect(shown(withLineage({ departures }), 'receipt-undivided')).toMatchObject({
        outcome: 'incomplete',
        found: `containers went to R-9 (${kind})`,
      });
    }
  });

  it('that came of one in doubt needs a signed act, and a merge of one never conforms', () => {
    const doubts: Partial<OriginFact>[] = [
      { outcome: 'does-not-conform' },
      { hadStop: true },
      { left: { contrary: 1, unplaced: 0, open: 0 } },
    ];
    for (const doubt of doubts) {
      for (const kind of ['split', 'returned', 'opened', 'repacked', 'merged'] as const) {
        expect(shown(from({ ...doubt, kind }), 'receipt-undivided').outcome).toBe('incomplete');
        expect(shown(from({ ...doubt, kind, isSigned: true }), 'receipt-undivided').outcome).toBe(
          kind === 'merged' ? 'incomplete' : 'conforms',
        );
      }
    }
  });

  it('is in doubt again by what comes to its source later, also under a signed act', () => {
    const later = { contrary: 1, unplaced: 0, open: 0 };
    expect(
      shown(from({ isSigned: true, contrarySince: 1, left: later }), 'receipt-undivided').found,
    ).toBe('came of R-0 (split): a contrary result came there since; no signed act answers for it');
    for (const left of [
      { contrary: 0, unplaced: 1, open: 0 },
      { contrary: 0, unplaced: 0, open: 1 },
    ]) {
      expect(shown(from({ isSigned: true, left }), 'receipt-undivided').state).toBe('unmet');
      expect(shown(from({ kind: 'returned', left }), 'receipt-undivided').state).toBe('met');
    }
  });

  it('takes results scanned under the text of the receipt it was split off', () => {
    const results = ['D-01', 'D-02'].map((c) => pass(c, { receiptScanned: 'RC-0' }));
    const child = { ...from({}), results };
    expect(evaluateStatement(child, now).outcome).toBe('incomplete');
    const knowing = withLineage({ origins: [sound], scanTexts: ['RC-0'] });
    expect(evaluateStatement({ ...knowing, results }, now).outcome).toBe('conforms');
  });

  it('property: adding doubt about where it came from never improves the condition', () => {
    const count = fc.nat(2);
    const left = fc.record({ contrary: count, unplaced: count, open: count });
    const origin = fc.record({
      kind: fc.constantFrom('split', 'merged', 'returned', 'opened', 'repacked'),
      isSigned: fc.boolean(),
      outcome: fc.constantFrom('conforms', 'incomplete', 'does-not-conform', null),
      hadStop: fc.boolean(),
      contrarySince: count,
      left,
    });
    const rank = { met: 2, unmet: 1, contradicted: 0, 'not-evaluated': -1 };
    fc.assert(
      fc.property(origin, left, fc.boolean(), (given, more, stop) => {
        const state = (of: StatementFacts) => rank[shown(of, 'receipt-undivided').state ?? 'met'];
        const doubted = {
          ...given,
          hadStop: given.hadStop || stop,
          left: {
            contrary: given.left.contrary + more.contrary,
            unplaced: given.left.unplaced + more.unplaced,
            open: given.left.open + more.open,
          },
        } as Partial<OriginFact>;
        expect(state(from(doubted))).toBeLessThanOrEqual(state(from(given as OriginFact)));
      }),
    );
  });
});
