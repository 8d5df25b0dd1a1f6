import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { addMs, type Instant } from '../../src/formats/instant.js';
import type { ConditionState, StatementOutcome } from '../../src/records/statement-record.js';
import { type BundleCase, bundleRefusal } from '../../src/statements/bundle-refusal.js';
import { evaluateStatement, type StatementDraft } from '../../src/statements/evaluate-statement.js';
import type { DeliveryFact, ResultFact, StatementFacts } from '../../src/statements/facts.js';
import { decisionDocument } from '../../src/statements/site-decision.js';
import { signed } from '../signatures/signed.js';
import {
  confirmedDeliveries,
  facts,
  fail,
  now,
  pass,
  signedDecisions,
  site,
  time,
} from './conforming-facts.js';

/**
 * Rule 9 as properties: histories are random sequences of changes that are no signed act and add nothing in
 * favour. After each of them neither the outcome nor any condition may be better than before.
 */
type Change = (facts: StatementFacts) => StatementFacts;

const OUTCOMES: StatementOutcome[] = ['does-not-conform', 'incomplete', 'conforms'];
const STATES: ConditionState[] = ['contradicted', 'unmet', 'not-evaluated', 'met'];

function onResult(index: number, change: (r: ResultFact) => ResultFact): Change {
  return (f) => ({
    ...f,
    results: f.results.map((r, i) => (i === index % f.results.length ? change(r) : r)),
  });
}

function onDelivery(index: number, change: (d: DeliveryFact) => DeliveryFact[]): Change {
  return (f) => ({
    ...f,
    deliveries: f.deliveries.flatMap((d, i) =>
      i === index % f.deliveries.length ? change(d) : [d],
    ),
  });
}

const index = fc.nat({ max: 50 });
const label = fc.constantFrom('D-01', 'D-02', null);
const resultState = fc.constantFrom('accepted', 'held', 'superseded', 'refused' as const);

const addContrary = fc
  .record({
    row: fc.uuid(),
    label,
    state: resultState,
    decision: fc.constantFrom('fail', 'no-match', 'inconclusive', 'aborted' as const),
    instrument: fc.constantFrom('NQ-R-0001', 'NQ-R-0003', null),
  })
  .map(({ row, label: containerLabel, ...rest }): Change => {
    const result = fail('D-01', { rowId: row, containerLabel, ...rest });
    return (f) => ({ ...f, results: [...f.results, result] });
  });

/** A result in favour is taken away as if its bundle had never come. */
const remove = index.map(
  (i): Change =>
    (f) => {
      const favour = f.results.filter(
        (r) =>
          r.decision === 'pass' &&
          !r.contrary &&
          r.state === 'accepted' &&
          r.recheck === 'agrees' &&
          (r.review === null || r.review.isValid) &&
          r.attribution?.isValid !== false &&
          r.containerLabel !== null &&
          isConfirmed(f, r),
      );
      const gone = favour[i % Math.max(1, favour.length)];
      return {
        ...f,
        results: f.results.filter((r) => r !== gone),
        deliveries: f.deliveries.filter((d) => d.resultRowId !== gone?.rowId),
      };
    },
);

function isConfirmed(f: StatementFacts, r: ResultFact): boolean {
  const mine = f.deliveries.filter((d) => d.resultRowId === r.rowId);
  return mine.length >= 2 && mine.every((d) => d.state === 'confirmed' && d.fault === null);
}

/**
 * accepted → held, superseded, or refused with nobody's signature, as if somebody had written it into the
 * database; a contrary result may take any state.
 */
const supersede = fc
  .tuple(index, resultState)
  .map(([i, state]) =>
    onResult(i, (r) =>
      r.state === 'accepted' && (r.contrary || state !== 'accepted') ? { ...r, state } : r,
    ),
  );

/** A result is to be compared with what was settled at the same moment. */
const oweLook = index.map((i) => onResult(i, (r) => ({ ...r, awaitsSecondLook: true })));

/** What was signed about a result reads differently, whatever it was. */
const voidSignature = index.map((i) =>
  onResult(i, (r) => ({
    ...r,
    review: { signatureId: `signature of ${r.rowId}`, isValid: false, changed: ['/receipt/lot'] },
  })),
);

const move = fc
  .tuple(index, fc.boolean())
  .map(([i, away]) =>
    onResult(i, (r) => (away ? { ...r, receiptScanned: 'RC-2' } : { ...r, containerLabel: null })),
  );

/** Measured later than thought; a result from before the goods receipt stays before it. */
const delay = fc.tuple(index, fc.integer({ min: 1, max: 7_200_000 })).map(
  ([i, ms]): Change =>
    (f) =>
      onResult(i, (r) =>
        r.measuredAt !== null && r.measuredAt > (f.receipt?.receivedAt ?? 0)
          ? { ...r, measuredAt: addMs(r.measuredAt, ms) }
          : r,
      )(f),
);

const spoil = fc
  .tuple(
    index,
    fc.constantFrom<Partial<ResultFact>>(
      { methodDigest: 'other' },
      { methodId: 'unregistered' },
      { recheck: 'disagrees' },
      { origin: null },
      { environment: 'production' },
      { mode: 'identification' },
      { material: 'NQ-1002' },
      { decision: 'aborted' },
      { contrary: true },
    ),
  )
  .map(([i, changes]) => onResult(i, (r) => ({ ...r, ...changes })));

const unhear = fc
  .tuple(fc.constantFrom('NQ-R-0001', 'NQ-R-0002'), fc.option(fc.nat({ max: 7_200_000 })))
  .map(
    ([serial, ms]): Change =>
      (f) => {
        const heardAt = new Map(f.heardAt);
        const before = heardAt.get(serial);
        if (ms === null || before === undefined) heardAt.delete(serial);
        else heardAt.set(serial, addMs(before, -ms));
        return { ...f, heardAt };
      },
  );

/** A confirmation that turns out not to be there, in every way that can be. */
const undeliver = fc
  .tuple(
    index,
    fc.constantFrom('due', 'sending', 'uncertain', 'rejected', 'parked', 'gone' as const),
  )
  .map(([i, state]) =>
    onDelivery(i, (d) => {
      if (d.state !== 'confirmed' || d.fault !== null) return [d];
      return state === 'gone' ? [] : [{ ...d, state }];
    }),
  );

const fault = index.map((i) => onDelivery(i, (d) => [{ ...d, fault: 'duplicate' }]));

const discrepancy = fc
  .tuple(
    fc.boolean(),
    fc.option(fc.constantFrom('NQ-R-0002', 'NQ-R-0003', 'unregistered'), { nil: undefined }),
  )
  .map(
    ([owned, serial]): Change =>
      (f) => ({
        ...f,
        discrepancies: [
          ...f.discrepancies,
          {
            id: `d${f.discrepancies.length}`,
            class: 'run-gap',
            subject: `s${f.discrepancies.length}`,
            detail: 'gap',
            owned,
            scope: serial === undefined ? {} : { instruments: [serial] },
          },
        ],
      }),
  );

const stop = fc.constantFrom('suspend' as const, 'withdraw' as const).map(
  (kind): Change =>
    (f) => ({
      ...f,
      stops: [
        ...f.stops,
        {
          stopId: `s${f.stops.length}`,
          kind,
          reason: 'r',
          issuedAt: now,
          statementRevision: 2 + f.stops.length,
          effectiveAt: null,
          lift: null,
        },
      ],
    }),
);

const expectation = fc
  .constantFrom<Partial<NonNullable<StatementFacts['receipt']>>>(
    { receivedAt: time('09:02') },
    { retestAt: time('09:30') },
    { dockCount: 5 },
    { plan: null },
    { areas: ['east-dock', 'west-dock'] },
  )
  .map(
    (changes): Change =>
      (f) => ({ ...f, receipt: f.receipt && { ...f.receipt, ...changes } }),
  );

const addContainer = index.map(
  (i): Change =>
    (f) => ({
      ...f,
      containers: [...f.containers, { label: `E-${f.containers.length}-${i}`, required: true }],
    }),
);

/** Somebody says that a result is of this receipt, whatever it decided, and nobody signs it. */
const propose = fc
  .record({
    row: fc.uuid(),
    label: fc.constantFrom('D-01', 'D-02'),
    decision: fc.constantFrom('pass', 'fail', 'inconclusive' as const),
    recheck: fc.constantFrom('agrees', 'disagrees' as const),
    instrument: fc.constantFrom('NQ-R-0001', 'NQ-R-0003', null),
  })
  .map(({ row, label: containerLabel, decision, ...rest }): Change => {
    const contrary = decision !== 'pass';
    const result = pass('D-01', { rowId: row, containerLabel, decision, contrary, ...rest });
    return (f) => ({
      ...f,
      claims: [...f.claims, { attributionId: row, why: 'proposed', result }],
    });
  });

/** A result comes by a signature that is void. */
const attributeVoid = fc
  .tuple(fc.uuid(), fc.constantFrom('D-01', 'D-02'))
  .map(([row, containerLabel]): Change => {
    const attribution = { signatureId: row, isValid: false, changed: ['/to'] };
    const result = pass('D-01', { rowId: row, containerLabel, attribution });
    return (f) => ({
      ...f,
      results: [...f.results, result],
      deliveries: [...f.deliveries, ...confirmedDeliveries([result])],
    });
  });

/** A result is taken by a signature that is void, with everything that was sent of it. */
const takeByVoid = index.map(
  (i): Change =>
    (f) => {
      const gone = f.results[i % Math.max(1, f.results.length)];
      if (gone === undefined) return f;
      return {
        ...f,
        results: f.results.filter((r) => r !== gone),
        deliveries: f.deliveries.filter((d) => d.resultRowId !== gone.rowId),
        claims: [...f.claims, { attributionId: gone.rowId, why: 'void', result: gone }],
      };
    },
);

/** What once was attributed by a signature that held reads differently. */
const voidAttribution = index.map((i) =>
  onResult(i, (r) => ({
    ...r,
    attribution: { signatureId: r.rowId, isValid: false, changed: ['/to/expects'] },
  })),
);

const reject = fc
  .tuple(fc.constantFrom('D-01', 'D-02'), fc.boolean(), fc.option(fc.constant('R-9')))
  .map(
    ([container, isValid, splitOffTo]): Change =>
      (f) => ({
        ...f,
        receipt: f.receipt && {
          ...f.receipt,
          rejections: [
            ...f.receipt.rejections,
            { container, signatureId: 's', isValid, splitOffTo },
          ],
        },
      }),
  );

/** Something that rests on a decision reads differently, whatever was signed of it. */
const changeDecision = fc.tuple(fc.constantFrom('D-001', 'D-002', 'D-003'), fc.nat({ max: 9 })).map(
  ([id, n]): Change =>
    (f) => ({
      ...f,
      site: {
        ...f.site,
        decisions: f.site.decisions.map((d) =>
          d.id === id ? { ...d, reason: `${d.reason}, edited ${n}` } : d,
        ),
      },
    }),
);

/** A signature of a decision that is not as it was made, or is of something else than stands there. */
const signDecisionVoid = fc
  .tuple(fc.constantFrom('D-001', 'D-002', 'D-003'), fc.boolean())
  .map(([id, isAltered]): Change => {
    return (f) => {
      const shown = decisionDocument(f.site, id);
      if (shown === null) return f;
      const signature = isAltered
        ? { ...signed({ meaning: 'approved' }, shown), reason: 'another' }
        : signed({ meaning: 'approved' }, { ...shown, record: { plans: [] } });
      return { ...f, decisionSignatures: new Map([...f.decisionSignatures, [id, signature]]) };
    };
  });

/** A decision’s signature is not there any more, in production: elsewhere an unsigned one is shown as that. */
const unsignDecision = fc.constantFrom('D-001', 'D-002', 'D-003').map(
  (id): Change =>
    (f) => {
      if (f.site.environment !== 'production') return f;
      const left = [...f.decisionSignatures].filter(([of]) => of !== id);
      return { ...f, decisionSignatures: new Map(left) };
    },
);

const change = fc.oneof(
  changeDecision,
  signDecisionVoid,
  unsignDecision,
  propose,
  attributeVoid,
  takeByVoid,
  voidAttribution,
  reject,
  addContrary,
  remove,
  supersede,
  oweLook,
  voidSignature,
  move,
  delay,
  spoil,
  unhear,
  undeliver,
  fault,
  discrepancy,
  stop,
  expectation,
  addContainer,
);

/** More evidence than needed, so that taking some away does not always end the conformance. */
const richResults = [
  ...facts.results,
  pass('D-01', { rowId: 'again-1', measuredAt: time('09:10') }),
  pass('D-02', { rowId: 'again-2', measuredAt: time('09:12'), instrument: 'NQ-R-0002' }),
];
const rich: StatementFacts = {
  ...facts,
  results: richResults,
  deliveries: confirmedDeliveries(richResults),
};

/** A held bundle without results; what it holds varies. */
const HELD_BUNDLE: BundleCase = {
  rowId: 'b',
  bundleId: 'B-1',
  sha256: 'ab',
  state: 'held',
  instrument: null,
  runs: null,
  receivedAt: '2026-07-01T09:00:00Z',
  findings: [],
  results: [],
  checkRuns: [],
  acceptedRuns: [],
};

function worse(before: StatementDraft, after: StatementDraft): string[] {
  const improved: string[] = [];
  if (OUTCOMES.indexOf(after.outcome) > OUTCOMES.indexOf(before.outcome)) {
    improved.push(`${before.outcome} became ${after.outcome}`);
  }
  before.conditions.forEach((c, i) => {
    // What is held is not delivered any more; the hold itself stays open under another condition.
    if (c.code === 'deliveries-confirmed') return;
    const then = after.conditions[i];
    if (then && STATES.indexOf(then.state) > STATES.indexOf(c.state)) {
      improved.push(`${c.code}: ${c.state} (${c.found}) became ${then.state} (${then.found})`);
    }
  });
  return improved;
}

describe('rule 9: monotonic', () => {
  it('removing, refusing, superseding, moving or delaying a fact never improves a statement', () => {
    let conforming = 0;
    fc.assert(
      fc.property(fc.array(change, { minLength: 1, maxLength: 12 }), (changes) => {
        let known = rich;
        let before = evaluateStatement(known, now);
        for (const apply of changes) {
          known = apply(known);
          const after = evaluateStatement(known, now);
          if (after.outcome === 'conforms') conforming += 1;
          expect(worse(before, after)).toEqual([]);
          before = after;
        }
      }),
      { numRuns: 3000 },
    );
    // The property would say nothing if every first change ended the conformance.
    expect(conforming).toBeGreaterThan(100);
  });

  it('in production a decision’s signature holds for what was signed, and void improves nothing', () => {
    const production = { ...rich.site, environment: 'production' as const };
    const results = richResults.map((r) => ({
      ...r,
      origin: 'instrument' as const,
      environment: 'production' as const,
    }));
    const known: StatementFacts = {
      ...rich,
      site: production,
      results,
      decisionSignatures: signedDecisions({ ...site, environment: 'production' }),
    };
    expect(evaluateStatement(known, now).outcome).toBe('conforms');
    let conforming = 0;
    fc.assert(
      fc.property(fc.array(change, { minLength: 1, maxLength: 8 }), (changes) => {
        let after = known;
        for (const apply of changes) {
          const before = evaluateStatement(after, now);
          after = apply(after);
          const draft = evaluateStatement(after, now);
          expect(worse(before, draft)).toEqual([]);
          const unsigned = { ...after, decisionSignatures: new Map() };
          expect(evaluateStatement(unsigned, now).outcome).not.toBe('conforms');
          if (draft.outcome === 'conforms') conforming += 1;
        }
      }),
      { numRuns: 500 },
    );
    expect(conforming).toBeGreaterThan(20);
  });

  it('a second person’s signature holds for what was signed and nothing else: no change improves what it made', () => {
    const known = { ...rich, site: { ...rich.site, secondPerson: { required: true as const } } };
    const { evidence } = evaluateStatement(known, now);
    if (evidence === null) throw new Error('nobody announced it');
    const secondPerson = signed({ meaning: 'approved' }, { ...evidence, context: null });
    expect(evaluateStatement({ ...known, secondPerson }, now).outcome).toBe('conforms');
    fc.assert(
      fc.property(fc.array(change, { minLength: 1, maxLength: 8 }), (changes) => {
        let after: StatementFacts = { ...known, secondPerson };
        for (const apply of changes) {
          const before = evaluateStatement(after, now);
          after = apply(after);
          const draft = evaluateStatement(after, now);
          expect(worse(before, draft)).toEqual([]);
          // Unsigned it never conforms, whatever the changes were.
          expect(evaluateStatement({ ...after, secondPerson: null }, now).outcome).not.toBe(
            'conforms',
          );
          if (draft.outcome === 'conforms') expect(draft.evidence).toEqual(evidence);
        }
      }),
      { numRuns: 300 },
    );
  });

  it('rule 25: re-attributions improve the receipt they leave by a valid signature only', () => {
    let freed = 0;
    fc.assert(
      fc.property(
        fc.array(change, { maxLength: 4 }),
        fc.constantFrom('D-01', 'D-02'),
        fc.boolean(),
        (changes, container, isValid) => {
          const row = fail(container, { rowId: 'moved', recheck: 'agrees' });
          const history = changes.reduce((f, apply) => apply(f), rich);
          const with_ = { ...history, results: [...history.results, row] };
          const before = evaluateStatement(with_, now);
          const proposed = { attributionId: 'a', why: 'proposed' as const, result: row };
          // Proposed for elsewhere: nothing is taken from here, and it counts there too.
          const there = evaluateStatement(
            { ...history, claims: [...history.claims, proposed] },
            now,
          );
          expect(before.outcome).toBe('does-not-conform');
          expect(there.outcome).toBe('does-not-conform');
          expect(worse(evaluateStatement(history, now), there)).toEqual([]);
          const claims = isValid
            ? history.claims
            : [...history.claims, { ...proposed, why: 'void' as const }];
          const after = evaluateStatement({ ...history, claims }, now);
          if (!isValid) expect(worse(before, after)).toEqual([]);
          else if (after.outcome !== 'does-not-conform') freed += 1;
        },
      ),
      { numRuns: 1000 },
    );
    expect(freed).toBeGreaterThan(100);
  });

  it('reviews do so only by a valid signature, and a signed refusal answers nothing but the hold', () => {
    const signedAct = fc.tuple(index, fc.constantFrom('accepted', 'refused' as const));
    let improved = 0;
    fc.assert(
      fc.property(
        fc.array(change, { maxLength: 5 }),
        fc.array(signedAct, { minLength: 1, maxLength: 4 }),
        fc.boolean(),
        (changes, acts, isValid) => {
          const history = changes.reduce((f, apply) => apply(f), rich);
          const held = history.results.map((r, i) => (i % 2 === 0 ? { ...r, state: 'held' } : r));
          let known: StatementFacts = { ...history, results: held as ResultFact[] };
          for (const [i, state] of acts) {
            const before = evaluateStatement(known, now);
            known = onResult(i, (r) => (r.state === 'held' ? reviewed(r, state, isValid) : r))(
              known,
            );
            const after = evaluateStatement(known, now);
            if (!isValid) expect(worse(before, after)).toEqual([]);
            const answered = worse(before, after).map((words) => words.split(':')[0]);
            if (state === 'refused') {
              const open = answered.filter((c) => c?.includes('-') && c !== 'no-open-discrepancy');
              // The outcome may follow from the one condition that the act is about.
              expect(open.filter((c) => !c?.includes(' became '))).toEqual([]);
            }
            improved += answered.length;
            const contrary = (f: StatementFacts) => f.results.filter((r) => r.contrary).length;
            if (contrary(known) > 0) expect(after.outcome).toBe('does-not-conform');
          }
        },
      ),
      { numRuns: 1500 },
    );
    // A property about acts that never do anything would hold by itself.
    expect(improved).toBeGreaterThan(20);
  });

  it('refusing a held bundle never does: its runs become gaps of the same scope, unless others hold them all', () => {
    const span = fc.tuple(fc.integer({ min: 1, max: 9 }), fc.nat({ max: 3 }));
    const serial = fc.constantFrom('NQ-R-0001', 'NQ-R-0002', 'unregistered');
    let withGap = 0;
    fc.assert(
      fc.property(
        fc.array(change, { maxLength: 5 }),
        serial,
        span,
        fc.array(fc.integer({ min: 1, max: 12 }), { maxLength: 4 }),
        fc.array(span, { maxLength: 3 }),
        (changes, instrument, [first, more], runs, accepted) => {
          const history = changes.reduce((f, apply) => apply(f), rich);
          const open = (of: string, subject: string) => ({
            id: subject,
            class: of,
            subject,
            detail: of,
            owned: false,
            scope: { instruments: [instrument] },
          });
          const withOpen = (more: readonly ReturnType<typeof open>[]) =>
            evaluateStatement(
              { ...history, discrepancies: [...history.discrepancies, ...more] as never },
              now,
            );
          const { possible, gaps } = bundleRefusal({
            ...HELD_BUNDLE,
            instrument,
            runs: { epoch: 1, first, last: first + more },
            checkRuns: runs,
            acceptedRuns: accepted.map(([from, n]) => ({ epoch: 1, from, to: from + n })),
          });
          expect(possible).toBe(true);
          const before = withOpen([open('held', 'bundle:b')]);
          const after = withOpen(gaps.map((gap) => open('run-gap', `runs:${gap.from}-${gap.to}`)));
          const isAccounted = (run: number) =>
            accepted.some(([from, n]) => from <= run && run <= from + n);
          const own = [...runs, ...Array.from({ length: more + 1 }, (_, i) => first + i)];
          expect(gaps.length > 0).toBe(own.some((run) => !isAccounted(run)));
          if (gaps.length === 0) return;
          withGap += 1;
          expect(worse(before, after)).toEqual([]);
        },
      ),
      { numRuns: 1000 },
    );
    expect(withGap).toBeGreaterThan(100);
  });

  it('adding a failing fact to any history makes it does-not-conform and never improves a condition', () => {
    fc.assert(
      fc.property(fc.array(change, { maxLength: 8 }), addContrary, (changes, contrary) => {
        const known = changes.reduce((f, apply) => apply(f), rich);
        const before = evaluateStatement(known, now);
        const after = evaluateStatement(contrary(known), now);
        expect(after.outcome).toBe('does-not-conform');
        expect(worse(before, after)).toEqual([]);
      }),
    );
  });

  it('no path gives conforms with any condition unmet or contradicted', () => {
    fc.assert(
      fc.property(fc.array(change, { maxLength: 6 }), fc.nat({ max: 7_200_000 }), (changes, ms) => {
        const known = changes.reduce((f, apply) => apply(f), rich);
        const draft = evaluateStatement(known, addMs(now, ms));
        if (draft.outcome !== 'conforms') return;
        const open = draft.conditions.filter(
          (c) => c.state === 'unmet' || c.state === 'contradicted',
        );
        expect(open).toEqual([]);
        expect(draft.containers.filter((c) => c.required && c.state !== 'covered')).toEqual([]);
        expect(draft.containers.length).toBeGreaterThan(0);
      }),
      { numRuns: 2000 },
    );
  });

  it('the order in which facts became known does not matter', () => {
    fc.assert(
      fc.property(
        fc.array(change, { maxLength: 6 }),
        fc.array(fc.nat(), { minLength: 60, maxLength: 60 }),
        (changes, order) => {
          const known = changes.reduce((f, apply) => apply(f), rich);
          const shuffled: StatementFacts = {
            ...known,
            results: shuffle(known.results, order),
            deliveries: shuffle(known.deliveries, order),
            discrepancies: shuffle(known.discrepancies, order),
            stops: shuffle(known.stops, order),
          };
          const states = (f: StatementFacts) => {
            const { outcome, conditions, containers } = evaluateStatement(f, now as Instant);
            return { outcome, states: conditions.map((c) => c.state), containers };
          };
          expect(states(shuffled)).toEqual(states(known));
        },
      ),
    );
  });
});

function reviewed(r: ResultFact, state: 'accepted' | 'refused', isValid: boolean): ResultFact {
  const changed = isValid ? [] : ['/decision'];
  return { ...r, state, review: { signatureId: `s of ${r.rowId}`, isValid, changed } };
}

function shuffle<T>(items: readonly T[], order: readonly number[]): T[] {
  return items
    .map((item, i) => ({ item, key: order[i % order.length] ?? 0 }))
    .sort((a, b) => a.key - b.key)
    .map((x) => x.item);
}
