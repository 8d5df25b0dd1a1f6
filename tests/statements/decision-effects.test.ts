import { describe, expect, it } from 'vitest';
import { addMs, formatInstant } from '../../src/formats/instant.js';
import {
  type DecisionEffect,
  decisionEffects,
  decisionStanding,
} from '../../src/statements/decision-effects.js';
import { type DecidingSite, siteDecision } from '../../src/statements/site-decision.js';
import { now, site } from './conforming-facts.js';

/** What rests on a site decision, in words. */

const ID = 'D-077';
const later = addMs(now, 1_000);
const [method] = site.methods;
const [instrument] = site.instruments;
if (method === undefined || instrument === undefined) throw new Error('the site has both');

const plan = {
  material: 'NQ-1004',
  manufacturer: 'Maker',
  supplier: null,
  plan: 'sqrt',
  rounding: 'up',
  decision: ID,
  expires: later,
} as const;
const attributePlan = {
  material: '*',
  manufacturer: null,
  supplier: 'Supplier',
  attribute: 'labels',
  level: 'II',
  aql: '1.0',
  decision: ID,
  expires: now,
} as const;
const nothing: DecidingSite = {
  ...site,
  decisions: [
    { id: ID, rule: 'r', decidedBy: 'd', date: '2026-01-12', reason: 'w', signed: false },
  ],
  plans: [],
  attributePlans: [],
  methods: [],
  instruments: [],
  secondPerson: { required: true },
};

function words(of: Partial<DecidingSite>): (readonly [string, string | null, boolean])[] {
  return decisionEffects({ ...nothing, ...of }, ID, now).map(
    ({ what, loosens, isOver }) => [what, loosens, isOver] as const,
  );
}

describe('the effects of a decision', () => {
  it('name each plan with its reach and expiry, and say when not every container is identified', () => {
    const every = { ...plan, plan: 'every', material: '*', manufacturer: null } as const;
    const fixed = { ...plan, plan: 'fixed', positions: [1, 4], afterFailure: 2 } as const;
    expect(
      words({ plans: [every, plan, fixed, { ...plan, plan: 'who-p', expires: now }] }),
    ).toEqual([
      ['any material: every container identified', null, false],
      [
        'material NQ-1004 made by Maker: √N + 1 of N containers (rounded up) identified',
        'not every container is identified',
        false,
      ],
      [
        'material NQ-1004 made by Maker: the containers at 1, 4 of the list identified, 2 more for each that failed',
        'not every container is identified',
        false,
      ],
      [
        'material NQ-1004 made by Maker: containers by the WHO p plan identified',
        'not every container is identified',
        true,
      ],
    ]);
    expect(words({ attributePlans: [attributePlan] })).toEqual([
      ['any material supplied by Supplier: labels inspected by level II, AQL 1.0', null, true],
    ]);
  });

  it('name approvals until the earlier of their end and the retirement, and what was found wrong', () => {
    const force = { effectiveFrom: null, retiredAt: now, absent: [], beside: [] };
    const approval = { material: 'NQ-1001', decision: ID, endsAt: later, isSignature: false };
    const methods = [
      {
        ...method,
        id: 'M',
        version: '2',
        approvals: [approval, { ...approval, isSignature: true }],
        force: { ...force, invalidatedAt: now, invalidation: ID },
      },
    ];
    const effects = decisionEffects({ ...nothing, methods: methods as never }, ID, now);
    expect(effects).toEqual<DecisionEffect[]>([
      {
        what: 'method M version 2 is approved for material NQ-1001',
        loosens: null,
        from: null,
        until: formatInstant(now),
        isOver: true,
      },
      {
        what: 'nothing that method M version 2 measured counts',
        loosens: null,
        from: formatInstant(now),
        until: null,
        isOver: false,
      },
    ]);
  });

  it('say whom nobody waits for, and that nobody else signs', () => {
    const outOfService = [{ from: now, to: null, decision: ID }];
    expect(
      words({
        instruments: [{ ...instrument, serial: 'S-1', outOfService: outOfService as never }],
        secondPerson: { required: false, decision: ID },
      }),
    ).toEqual([
      ['instrument S-1 is out of service', 'no receipt waits to hear from it', false],
      ['a statement conforms without a second person', 'nobody signs what it rests on', false],
    ]);
  });

  it('are over only together, and are as many as a signature binds', () => {
    expect(decisionStanding([])).toBe('unused');
    const all = decisionEffects(
      { ...nothing, plans: [plan], attributePlans: [attributePlan] },
      ID,
      now,
    );
    expect(decisionStanding(all)).toBe('in-force');
    expect(decisionStanding(all.filter(({ isOver }) => isOver))).toBe('expired');
    const [first] = site.decisions;
    const methods = site.methods.map((m) => ({ ...m, notRecomputable: first?.id ?? '' }));
    for (const [{ id }, of] of site.decisions.flatMap((d) => [
      [d, site] as const,
      [d, { ...site, methods }] as const,
    ])) {
      const { record } = siteDecision(of, id) ?? { record: null };
      const bound = Object.values(record as Record<string, unknown>).reduce<number>(
        (sum, member) => sum + (Array.isArray(member) ? member.length : member === true ? 1 : 0),
        0,
      );
      expect([id, decisionEffects(of, id, now).length]).toEqual([id, bound]);
    }
  });
});
