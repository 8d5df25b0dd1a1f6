import { describe, expect, it } from 'vitest';
import type { StatementOutcome } from '../../src/records/statement-record.js';
import { evaluateStatement } from '../../src/statements/evaluate-statement.js';
import type { StatementFacts, StopFact } from '../../src/statements/facts.js';
import {
  decideRevision,
  statementFingerprint,
  type Untold,
} from '../../src/statements/revision-policy.js';
import { statementMessages } from '../../src/statements/statement-messages.js';
import { decideStop } from '../../src/statements/stop-decision.js';
import { facts, fail, now, pass, time, withResults } from './conforming-facts.js';

const suspend: StopFact = {
  stopId: 's1',
  kind: 'suspend',
  reason: 'doubt',
  issuedAt: time('09:40'),
  statementRevision: 2,
  effectiveAt: null,
  lift: null,
};
const withdraw: StopFact = { ...suspend, kind: 'withdraw' };

describe('rule 20: any transition away from conforms is a stop', () => {
  const outcomes: StatementOutcome[] = ['conforms', 'does-not-conform', 'incomplete'];
  const table: string[] = [];
  for (const standing of [null, suspend, withdraw]) {
    for (const hasConformed of [false, true]) {
      for (const outcome of outcomes) {
        for (const isIneffective of [false, true]) {
          for (const isNews of [false, true]) {
            const draft = { outcome, conditions: [] };
            const stop = decideStop({ hasConformed, standing, draft, isIneffective, isNews });
            const said = stop.kind === 'none' ? 'none' : `${stop.kind} ${stop.cause}`;
            table.push(
              `${standing?.kind ?? 'no stop'}, conformed ${hasConformed}, ${outcome}, ineffective ${isIneffective}, news ${isNews}: ${said}`,
            );
          }
        }
      }
    }
  }
  const rows = (start: string) => [
    ...new Set(table.filter((r) => r.startsWith(start)).map((r) => r.split(': ')[1])),
  ];

  it('without a stop, only a receipt that conformed gets one, of the kind its evidence asks for', () => {
    expect(rows('no stop, conformed false')).toEqual(['none']);
    expect(rows('no stop, conformed true, conforms')).toEqual(['none']);
    expect(rows('no stop, conformed true, does-not-conform')).toEqual(['withdraw transition']);
    expect(rows('no stop, conformed true, incomplete')).toEqual(['suspend transition']);
  });

  it('doubt that became contradiction escalates', () => {
    expect(rows('suspend, conformed true, does-not-conform')).toEqual(['withdraw escalation']);
  });

  it('a stop latches: news repeats it, nothing weakens or ends it', () => {
    expect(rows('suspend, conformed true, incomplete, ineffective false')).toEqual([
      'none',
      'suspend continuation',
    ]);
    expect(rows('withdraw, conformed true, incomplete, ineffective false')).toEqual([
      'none',
      'withdraw continuation',
    ]);
    expect(rows('withdraw, conformed true, does-not-conform, ineffective false')).toEqual([
      'none',
      'withdraw continuation',
    ]);
    expect(rows('withdraw, conformed true, conforms, ineffective false')).toEqual([
      'none',
      'withdraw continuation',
    ]);
  });

  it('a stop that an acting system does not show is re-asserted without any news', () => {
    expect(rows('suspend, conformed true, incomplete, ineffective true')).toEqual([
      'suspend re-assertion',
    ]);
    expect(rows('withdraw, conformed true, does-not-conform, ineffective true')).toEqual([
      'withdraw re-assertion',
    ]);
  });
});

describe('a revision', () => {
  const nobody: Untold = { holdsConforms: false, wouldBeTold: () => false };
  const decide = (
    of: StatementFacts,
    told: StatementFacts | null,
    hasConformed = told !== null,
    untold = nobody,
  ) =>
    decideRevision({
      facts: of,
      previous: told && {
        revision: 1,
        outcome: evaluateStatement(told, now).outcome,
        fingerprint: statementFingerprint(evaluateStatement(told, now)),
      },
      hasConformed,
      isIneffective: false,
      untold,
      newStop: { stopId: 'new', statementRevision: 2 },
      now,
    });

  it('is stored the first time, and not again for the same evidence', () => {
    expect(decide(facts, null)).toMatchObject({ isNew: true, stop: { kind: 'none' } });
    expect(decide(facts, facts).isNew).toBe(false);
    const heardLater = new Map([...facts.heardAt].map(([s]) => [s, time('09:59')] as const));
    expect(decide({ ...facts, heardAt: heardLater }, facts).isNew).toBe(false);
  });

  it('is stored when a conforming receipt has more evidence, or an incomplete one lacks something else', () => {
    const more = withResults(...facts.results, pass('D-02', { rowId: 'again' }));
    expect(decide(more, facts)).toMatchObject({ isNew: true, stop: { kind: 'none' } });
    const one = withResults(pass('D-01'));
    expect(decide(withResults(pass('D-02')), one, false).isNew).toBe(false);
    expect(decide({ ...one, deliveries: [] }, one, false).isNew).toBe(true);
  });

  it('is stored without news where a destination that comes back would be told of it', () => {
    const asked: unknown[] = [];
    const wouldBeTold: Untold['wouldBeTold'] = (revision) => {
      asked.push(revision);
      return true;
    };
    const away = { holdsConforms: false, wouldBeTold };
    expect(decide(facts, facts, true, away)).toMatchObject({ isNew: true, stop: { kind: 'none' } });
    const incomplete = withResults(pass('D-01'));
    expect(decide(incomplete, incomplete, false, away)).toMatchObject({
      isNew: true,
      stop: { kind: 'none' },
    });
    expect(asked).toEqual([
      { isStop: false, isConforms: true },
      { isStop: false, isConforms: false },
    ]);
  });

  it('is a stop where a destination that comes back holds a conforms from before a stop and its lift', () => {
    const asked: unknown[] = [];
    const away: Untold = {
      holdsConforms: true,
      wouldBeTold: (revision) => {
        asked.push(revision);
        return true;
      },
    };
    const incomplete = withResults(pass('D-01'));
    expect(decide(incomplete, incomplete, false, away)).toMatchObject({
      isNew: true,
      stop: { kind: 'suspend', cause: 'transition' },
    });
    expect(asked).toEqual([{ isStop: true, isConforms: false }]);
    expect(decide(facts, facts, false, away).stop).toEqual({ kind: 'none' });
  });

  it('that stops a receipt says so itself', () => {
    const { draft, stop } = decide(withResults(...facts.results, fail('D-01')), facts);
    expect(stop).toMatchObject({ kind: 'withdraw', cause: 'transition' });
    expect(draft.conditions.find((c) => c.code === 'no-stop-in-force')).toMatchObject({
      state: 'contradicted',
      evidence: [{ kind: 'stop', id: 'new' }],
    });
    expect(stop.kind !== 'none' && stop.reason).toContain(
      'no-contrary-result: result result-fail-D-01 on container D-01: fail',
    );
  });
});

describe('the messages of a revision', () => {
  const destinations = [
    { name: 'lims', acts: false },
    { name: 'erp', acts: true },
  ];
  const all = { digest: 'm', messages: ['result', 'withdrawal', 'statement', 'stop'] as const };
  const told = (
    mappings: ReadonlyMap<
      string,
      typeof all | { digest: string; messages: readonly 'statement'[] }
    >,
    revision: { isStop: boolean; isConforms: boolean },
  ) =>
    statementMessages(destinations, mappings, revision).map((m) => `${m.destination} ${m.message}`);
  const both = new Map([
    ['lims', all],
    ['erp', all],
  ]);

  it('are a statement everywhere, and a stop in its place at acting systems', () => {
    expect(told(both, { isStop: false, isConforms: true })).toEqual([
      'lims statement',
      'erp statement',
    ]);
    expect(told(both, { isStop: true, isConforms: false })).toEqual(['lims statement', 'erp stop']);
  });

  it('rule 22: no conforms goes to an acting system without a stop channel', () => {
    const noStop = new Map([['erp', { digest: 'm', messages: ['statement'] as const }]]);
    expect(told(noStop, { isStop: false, isConforms: true })).toEqual([]);
    expect(told(noStop, { isStop: false, isConforms: false })).toEqual(['erp statement']);
    expect(told(new Map(), { isStop: true, isConforms: false })).toEqual([]);
  });
});
