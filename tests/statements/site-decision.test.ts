import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import type { Instrument, SiteFolder } from '../../src/site/site-folder.js';
import { decisionState, decisionsAtStake } from '../../src/statements/decisions.js';
import { evaluateStatement } from '../../src/statements/evaluate-statement.js';
import type { StatementFacts } from '../../src/statements/facts.js';
import { decisionDocument, siteDecision } from '../../src/statements/site-decision.js';
import { signed } from '../signatures/signed.js';
import { facts, now, pass, receipt, signedDecisions, site, time } from './conforming-facts.js';

/** Release-safety rules 4, 9, 11, 15, 17 and 20: what a site decision lets pass, and until when. */

const production: SiteFolder = { ...site, environment: 'production' };
const measured = facts.results.map((r) => ({
  ...r,
  origin: 'instrument' as const,
  environment: 'production' as const,
}));
const unsigned: StatementFacts = { ...facts, site: production, results: measured };
const approved: StatementFacts = { ...unsigned, decisionSignatures: signedDecisions(production) };

function open(known: StatementFacts): string[] {
  return evaluateStatement(known, now)
    .conditions.filter((c) => c.state !== 'met')
    .map((c) => `${c.code} ${c.state}: ${c.found}`);
}

function withSiteOf(known: StatementFacts, changes: Partial<SiteFolder>): StatementFacts {
  return { ...known, site: { ...known.site, ...changes } };
}

const [plan] = site.plans;
if (plan === undefined) throw new Error('the site has a plan');

describe('in production', () => {
  it('nothing conforms on a decision that nobody signed, each by name; signed it conforms and says who signed', () => {
    expect(open(unsigned)).toEqual([
      'plan-in-force unmet: the sampling plan rests on decision D-002, which nobody signed',
      'methods-by-content unmet: a method approval rests on decision D-003, which nobody signed',
      'second-person unmet: leaving out the second person rests on decision D-001, which nobody signed',
    ]);
    expect(evaluateStatement(unsigned, now).decisions[0]).not.toHaveProperty('signature');

    const draft = evaluateStatement(approved, now);
    expect(draft.outcome).toBe('conforms');
    expect(draft.decisions.map((d) => [d.id, d.signature])).toEqual(
      ['D-001', 'D-002', 'D-003'].map((id) => [
        id,
        {
          signatureId: `signature of ${id}`,
          printedName: 'Robin Reviewer (simulated)',
          at: '2026-03-04T09:15:30.000000Z',
        },
      ]),
    );
  });

  it('what was signed for training lets nothing pass', () => {
    const elsewhere = { ...unsigned, decisionSignatures: signedDecisions(site) };
    expect(open(elsewhere)[0]).toContain('changed at /environment');
    expect(evaluateStatement(elsewhere, now).outcome).toBe('incomplete');
  });

  it('a signature that says anything but approved is none', () => {
    const shown = decisionDocument(production, 'D-002');
    if (shown === null) throw new Error('the site has D-002');
    const refused = signed({ meaning: 'refused' }, shown);
    const decisionSignatures = new Map([...approved.decisionSignatures, ['D-002', refused]]);
    expect(open({ ...approved, decisionSignatures })[0]).toContain('D-002, which nobody signed');
  });
});

describe('a signature of a decision', () => {
  const labels = {
    material: '*',
    manufacturer: null,
    supplier: null,
    attribute: 'labels',
    level: 'II',
    aql: '1.0',
    decision: 'D-002',
    expires: plan.expires,
  } as const;
  const changes: readonly [string, string, Partial<SiteFolder>, string][] = [
    [
      'D-002',
      'another expiry',
      { plans: [{ ...plan, expires: time('23:58') }] },
      '/plans/0/expires',
    ],
    ['D-002', 'another plan', { plans: [{ ...plan, plan: 'sqrt' }] }, '/plans/0/plan'],
    ['D-002', 'a plan for labels', { attributePlans: [labels] }, '/attributePlans/0'],
    ['D-002', 'one more plan', { plans: [plan, { ...plan, material: 'NQ-1001' }] }, '/plans/1'],
    [
      'D-002',
      'another reason',
      { decisions: site.decisions.map((d) => ({ ...d, reason: 'other' })) },
      '/decision/reason',
    ],
    [
      'D-003',
      'another content of the method',
      { methods: site.methods.map((m) => ({ ...m, contentDigest: production.digest })) },
      '/methodApprovals/0/contentDigest',
    ],
    ['D-001', 'a second person again', { secondPerson: { required: true } }, '/secondPersonOff'],
  ];

  it.each(changes)(
    'of %s is void by %s, in production and in training',
    (id, _what, change, at) => {
      for (const of of [production, site]) {
        const known = { ...facts, site: of, decisionSignatures: signedDecisions(of) };
        expect(decisionState(known, id).kind).toBe('signed');
        const state = decisionState(withSiteOf(known, change), id);
        expect(state).toMatchObject({ kind: 'void', changed: expect.arrayContaining([at]) });
      }
    },
  );

  it('is not void by what rests on another decision, or by another order of the entries', () => {
    const other = { ...plan, material: 'NQ-1002', decision: 'D-009' };
    const second = { ...plan, material: 'NQ-1001' };
    const two = { ...production, plans: [plan, second] };
    const known = { ...unsigned, site: two, decisionSignatures: signedDecisions(two) };
    const moved = withSiteOf(known, { plans: [other, second, plan] });
    expect(decisionState(moved, 'D-002').kind).toBe('signed');
  });

  it('that is void ends a conforming statement, in training too, and names who signed', () => {
    const known = { ...facts, decisionSignatures: signedDecisions(site) };
    expect(evaluateStatement(known, now).outcome).toBe('conforms');
    const changed = withSiteOf(known, { plans: [{ ...plan, expires: time('23:58') }] });
    expect(open(changed)).toEqual([
      'plan-in-force unmet: the sampling plan rests on decision D-002, which reads differently than Robin Reviewer (simulated) signed it, changed at /plans/0/expires',
    ]);
    const [, shown] = evaluateStatement(changed, now).decisions;
    expect(shown).not.toHaveProperty('signature');
  });

  it('that was altered holds for nothing', () => {
    const one = approved.decisionSignatures.get('D-002');
    if (one === undefined) throw new Error('D-002 is signed');
    const altered = new Map([
      ...approved.decisionSignatures,
      ['D-002', { ...one, printedName: 'Somebody else' }] as const,
    ]);
    expect(decisionState({ ...approved, decisionSignatures: altered }, 'D-002')).toMatchObject({
      kind: 'void',
      changed: [''],
    });
  });

  it('is of a decision that the site has', () => {
    expect(siteDecision(site, 'D-404')).toBeNull();
    expect(decisionState({ ...approved, site: { ...site, decisions: [] } }, 'D-002').kind).toBe(
      'void',
    );
  });
});

describe('rule 11: a note that an instrument was out of service', () => {
  const decision = { ...site.decisions[0], id: 'D-004', rule: 'instrument-out-of-service' };
  const noted: SiteFolder = {
    ...production,
    decisions: [...site.decisions, decision as (typeof site.decisions)[number]],
    instruments: site.instruments.map(
      (i): Instrument =>
        i.serial === 'NQ-R-0002'
          ? { ...i, outOfService: [{ from: time('07:00'), to: null, decision: 'D-004' }] }
          : i,
    ),
  };
  const silent = new Map([['NQ-R-0001', addMs(now, -1000)]]);
  const known: StatementFacts = { ...approved, site: noted, heardAt: silent };

  it('excuses it in production only once it is signed', () => {
    const all = signedDecisions(noted);
    const others = new Map([...all].filter(([id]) => id !== 'D-004'));
    expect(open({ ...known, decisionSignatures: others })).toEqual([
      'heard-from-every-instrument unmet: NQ-R-0002 has never synced; the note that NQ-R-0002 was out of service rests on decision D-004, which nobody signed',
    ]);
    expect(open({ ...known, decisionSignatures: all })).toEqual([]);
    // One that was heard needs no excuse.
    const heard = { ...known, heardAt: facts.heardAt, decisionSignatures: others };
    expect(open(heard)).toEqual([]);
  });

  it('is among the decisions whose signatures are read, as are plan, approvals and second person', () => {
    const of = { material: receipt.identity.material, plan: receipt.plan };
    expect(decisionsAtStake(noted, of).sort()).toEqual(['D-001', 'D-002', 'D-003', 'D-004']);
    const bare = { ...noted, secondPerson: { required: true as const } };
    expect(decisionsAtStake(bare, { material: 'NQ-9999', plan: null })).toEqual(['D-004']);
    const attributePlans = [{ decision: 'D-007' }];
    const counted = decisionsAtStake(bare, { material: 'NQ-9999', plan: null, attributePlans });
    expect(counted.sort()).toEqual(['D-004', 'D-007']);
    expect(pass('D-01').material).toBe(of.material);
  });
});
