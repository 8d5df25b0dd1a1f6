import { describe, expect, it } from 'vitest';
import type { JsonValue } from '../../src/formats/canonical-json.js';
import type { Signature } from '../../src/signatures/signature.js';
import { evaluateStatement } from '../../src/statements/evaluate-statement.js';
import type { ResultFact, StatementFacts } from '../../src/statements/facts.js';
import {
  type ReceiptReviewCase,
  receiptReviewDocument,
  receiptReviewOptions,
} from '../../src/statements/receipt-review.js';
import { signed } from '../signatures/signed.js';
import { confirmedDeliveries, facts, fail, now, pass, site, time } from './conforming-facts.js';

/** Release-safety rule 15: who signs a statement, of what, and until when that holds. */

const needed: StatementFacts = {
  ...facts,
  site: { ...site, secondPerson: { required: true } },
};

function caseOf(
  known: StatementFacts,
  signatures: readonly Signature[] = [],
  environment = known.site.environment,
): ReceiptReviewCase {
  const draft = evaluateStatement(known, now);
  if (draft.evidence === null) throw new Error('nobody announced it');
  return {
    receiptId: 'R-1',
    draft,
    evidence: draft.evidence,
    revision: 1,
    environment,
    toldTo: ['lims', 'erp'],
    measuredBy: [{ operator: 'OP-11', belongsTo: null }],
    signatures,
  };
}

/** A signature over what these facts show, as the service makes it. */
function signature(known: StatementFacts, changes: Partial<Signature> = {}): Signature {
  return signed({ meaning: 'approved', ...changes }, receiptReviewDocument(caseOf(known)));
}

function secondPerson(known: StatementFacts): string {
  const { outcome, conditions } = evaluateStatement(known, now);
  const found = conditions.find((c) => c.code === 'second-person');
  return `${outcome}, ${found?.state}: ${found?.found}`;
}

const approved: StatementFacts = { ...needed, secondPerson: signature(needed) };

function withResults(known: StatementFacts, results: readonly ResultFact[]): StatementFacts {
  return { ...known, results, deliveries: confirmedDeliveries(results) };
}

describe('rule 15: a statement that needs its second person', () => {
  it('keeps a signature from before who measured was named beside it', () => {
    const {
      measuredBy: _,
      declared: __,
      ...context
    } = receiptReviewDocument(caseOf(needed)).context as Record<string, JsonValue>;
    const before = { ...receiptReviewDocument(caseOf(needed)), context };
    const kept = { ...needed, secondPerson: signed({ meaning: 'approved' }, before) };
    expect(secondPerson(kept)).toContain('conforms, met: approved by');
  });

  it('is incomplete while nobody has signed, and conforms once somebody signed what is there', () => {
    expect(secondPerson(needed)).toBe(
      'incomplete, unmet: no reviewer who measured nothing here has signed',
    );
    expect(secondPerson(approved)).toBe(
      'conforms, met: approved by Robin Reviewer (simulated), 2026-03-04T09:15:30.000000+00:00: the sync log shows the zone',
    );
  });

  it('rests on the same signature however late and in whatever order it is asked again', () => {
    const later = evaluateStatement(
      { ...approved, results: [...approved.results].reverse() },
      time('10:09'),
    );
    expect(later.outcome).toBe('conforms');
  });

  const [first, second] = facts.results as [ResultFact, ResultFact];
  const changes: readonly [string, string, StatementFacts][] = [
    [
      'one more pass',
      '/results/2',
      withResults(approved, [first, second, pass('D-01', { rowId: 'row-D-09' })]),
    ],
    [
      'a result fewer of two',
      '/results',
      withResults(
        {
          ...withResults(needed, [first, second, pass('D-01', { rowId: 'row-D-09' })]),
          secondPerson: signature(
            withResults(needed, [first, second, pass('D-01', { rowId: 'row-D-09' })]),
          ),
        },
        [first, second],
      ),
    ],
    [
      'a result reported otherwise',
      '/results/0/elementSha256',
      withResults(approved, [{ ...first, elementSha256: 'other' }, second]),
    ],
    [
      'another instrument',
      '/results/0/instrument',
      withResults(approved, [{ ...first, instrument: 'NQ-R-0002' }, second]),
    ],
    [
      'a result that was cleared since',
      '/results/0/review',
      withResults(approved, [
        { ...first, review: { signatureId: 's', isValid: true, changed: [] } },
        second,
      ]),
    ],
    [
      'a container more that nobody has to measure',
      '/containers/2',
      { ...approved, containers: [...facts.containers, { label: 'D-03', required: false }] },
    ],
    [
      'a receipt that was announced anew',
      '/receipt/revision',
      { ...approved, receipt: facts.receipt && { ...facts.receipt, revision: 2 } },
    ],
    [
      'a stop',
      '/stops/0',
      {
        ...approved,
        stops: [
          {
            stopId: 's',
            kind: 'suspend',
            reason: 'r',
            issuedAt: now,
            statementRevision: 2,
            effectiveAt: null,
            lift: null,
          },
        ],
      },
    ],
  ];
  it.each(changes)('loses it to %s, and says where', (_name, pointer, changed) => {
    const said = secondPerson(changed);
    expect(said).toContain('incomplete, unmet: void: what Robin Reviewer (simulated) approved');
    expect(said).toContain(pointer);
  });

  it('loses it as well when what was signed was tampered with, or is of another receipt', () => {
    const good = signature(needed);
    for (const bad of [
      { ...good, reason: 'another reason' },
      { ...good, shown: good.shown.replace('D-01', 'D-07') },
      signed(
        { meaning: 'approved', subject: { kind: 'statement', id: 'R-2', revision: 1 } },
        receiptReviewDocument(caseOf(needed)),
      ),
      signed(
        { meaning: 'approved', subject: { kind: 'result', id: 'R-1', revision: 1 } },
        receiptReviewDocument(caseOf(needed)),
      ),
      signature(needed, { meaning: 'cleared' }),
    ]) {
      expect(secondPerson({ ...needed, secondPerson: bad })).toContain('incomplete, unmet');
    }
  });

  it('is never saved by a signature from a contrary result', () => {
    const contrary = withResults(needed, [...facts.results, fail('D-01')]);
    expect(secondPerson({ ...contrary, secondPerson: signature(contrary) })).toContain(
      'does-not-conform, met',
    );
  });

  it('stays refused until somebody signs after that, also when its evidence reads differently by then, and where no second person is needed', () => {
    const refusal = signature(needed, { meaning: 'refused', reason: 'label of D-02 is torn' });
    const changed = withResults({ ...needed, secondPerson: refusal }, [
      ...facts.results,
      pass('D-01', { rowId: 'row-D-09' }),
    ]);
    for (const known of [
      { ...needed, secondPerson: refusal },
      changed,
      { ...facts, secondPerson: refusal },
    ]) {
      expect(secondPerson(known)).toContain('incomplete, unmet: refused by Robin Reviewer');
      expect(secondPerson(known)).toContain('label of D-02 is torn');
    }
  });
});

describe('what a second person may do', () => {
  it('is to sign when all else holds, and to refuse at any time', () => {
    expect(receiptReviewOptions(caseOf(needed))).toMatchObject({
      sign: { possible: true },
      refuse: { possible: true },
    });
    const unheard = { ...needed, heardAt: new Map() };
    const { sign, refuse } = receiptReviewOptions(caseOf(unheard));
    expect(sign.possible).toBe(false);
    expect(sign.because.join()).toContain('heard-from-every-instrument is unmet');
    expect(refuse.possible).toBe(true);
  });

  it('is nothing in production while a condition cannot be evaluated', () => {
    const production = { ...needed, site: { ...needed.site, environment: 'production' as const } };
    expect(receiptReviewOptions(caseOf(production)).sign.possible).toBe(false);
  });

  it('is not to sign what is signed already, or to refuse what is refused', () => {
    const refusal = signature(needed, { meaning: 'refused' });
    const signedCase = caseOf(approved, [signature(needed)]);
    expect(receiptReviewOptions(signedCase).sign.because).toEqual([
      'Robin Reviewer (simulated) has signed it',
    ]);
    const refused = caseOf({ ...needed, secondPerson: refusal }, [signature(needed), refusal]);
    expect(receiptReviewOptions(refused)).toMatchObject({
      sign: { possible: true },
      refuse: { possible: false, because: ['Robin Reviewer (simulated) has refused it'] },
    });
    // Whoever signs after a refusal has been shown it.
    expect(JSON.stringify(receiptReviewDocument(refused).context)).toContain('"refused"');
  });

  it('says that a refusal of what conforms is a stop', () => {
    const { refuse } = receiptReviewOptions(caseOf(approved, [signature(needed)]));
    expect(refuse.effects.join()).toContain('suspended, by a stop');
  });
});
