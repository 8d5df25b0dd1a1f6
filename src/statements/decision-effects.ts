import { formatInstant, type Instant } from '../formats/instant.js';
import type { PlanRule } from '../site/site-folder.js';
import type { DecidingSite } from './site-decision.js';

/** One thing of a site that rests on a decision. */
export interface DecisionEffect {
  readonly what: string;
  /** What it asks less of than without it; null when of nothing. */
  readonly loosens: string | null;
  /** RFC 3339 in UTC; null: ever since, or without an end. */
  readonly from: string | null;
  readonly until: string | null;
  /** Nothing new rests on it any more. What rested on it before still does. */
  readonly isOver: boolean;
}

/** `expired`: all that rests on it is over. `unused`: the site names it nowhere. */
export type DecisionStanding = 'in-force' | 'expired' | 'unused';

export function decisionStanding(effects: readonly DecisionEffect[]): DecisionStanding {
  if (effects.length === 0) return 'unused';
  return effects.every(({ isOver }) => isOver) ? 'expired' : 'in-force';
}

/** Everything of the site that names a decision, in words: what `siteDecision` binds. */
export function decisionEffects(site: DecidingSite, id: string, now: Instant): DecisionEffect[] {
  const effect = (of: {
    readonly what: string;
    readonly loosens?: string | null;
    readonly from?: Instant | null;
    readonly until?: Instant | null;
  }): DecisionEffect => {
    const { what, loosens = null, from = null, until = null } = of;
    return {
      what,
      loosens,
      from: from === null ? null : formatInstant(from),
      until: until === null ? null : formatInstant(until),
      isOver: until !== null && until <= now,
    };
  };
  const plans = site.plans
    .filter(({ decision }) => decision === id)
    .map((plan) => effect({ ...planWords(plan), until: plan.expires }));
  const inspections = (site.attributePlans ?? [])
    .filter(({ decision }) => decision === id)
    .map((plan) => {
      const what = `${scopeWords(plan)}: ${plan.attribute} inspected by level ${plan.level}, AQL ${plan.aql}`;
      return effect({ what, until: plan.expires });
    });
  const approvals = site.methods.flatMap((method) =>
    method.approvals
      .filter(({ decision, isSignature }) => decision === id && !isSignature)
      .map(({ material, effectiveFrom, endsAt }) =>
        effect({
          what: `method ${method.id} version ${method.version} is approved for material ${material}`,
          from: effectiveFrom ?? null,
          until: earlier(endsAt ?? null, method.force?.retiredAt ?? null),
        }),
      ),
  );
  const invalidations = site.methods
    .filter(({ force }) => force?.invalidation === id)
    .map(({ id: method, version, force }) =>
      effect({
        what: `nothing that method ${method} version ${version} measured counts`,
        from: force?.invalidatedAt ?? null,
      }),
    );
  const spans = site.instruments.flatMap(({ serial, outOfService = [] }) =>
    outOfService
      .filter(({ decision }) => decision === id)
      .map(({ from, to }) =>
        effect({
          what: `instrument ${serial} is out of service`,
          loosens: 'no receipt waits to hear from it',
          from,
          until: to,
        }),
      ),
  );
  const notRecomputed = site.methods
    .filter(({ notRecomputable }) => notRecomputable === id)
    .map(({ id: method, version, force }) =>
      effect({
        what: `results of method ${method} version ${version} count although nobody can recompute them`,
        loosens: 'no recheck stands behind them',
        from: force?.effectiveFrom ?? null,
        until: force?.retiredAt ?? null,
      }),
    );
  const alone =
    !site.secondPerson.required && site.secondPerson.decision === id
      ? [
          effect({
            what: 'a statement conforms without a second person',
            loosens: 'nobody signs what it rests on',
          }),
        ]
      : [];
  return [
    ...plans,
    ...inspections,
    ...approvals,
    ...invalidations,
    ...spans,
    ...notRecomputed,
    ...alone,
  ];
}

function planWords(plan: PlanRule): Pick<DecisionEffect, 'what' | 'loosens'> {
  const { afterFailure } = plan;
  const scope = scopeWords(plan);
  const isEvery = plan.plan === 'every';
  const further =
    isEvery || afterFailure === undefined || afterFailure === 'every'
      ? ''
      : `, ${afterFailure} more for each that failed`;
  return {
    what: `${scope}: ${kindWords(plan)} identified${further}`,
    loosens: isEvery ? null : 'not every container is identified',
  };
}

function kindWords({ plan, rounding, positions }: PlanRule): string {
  switch (plan) {
    case 'every':
      return 'every container';
    case 'sqrt':
      return `√N + 1 of N containers (rounded ${rounding})`;
    case 'fixed':
      return `the containers at ${(positions ?? []).join(', ')} of the list`;
    default:
      return `containers by the WHO ${plan.slice('who-'.length)} plan`;
  }
}

function scopeWords(of: Pick<PlanRule, 'material' | 'manufacturer' | 'supplier'>): string {
  const { material, manufacturer, supplier } = of;
  return [
    material === '*' ? 'any material' : `material ${material}`,
    ...(manufacturer === null ? [] : [`made by ${manufacturer}`]),
    ...(supplier === null ? [] : [`supplied by ${supplier}`]),
  ].join(' ');
}

function earlier(a: Instant | null, b: Instant | null): Instant | null {
  if (a === null || b === null) return a ?? b;
  return a < b ? a : b;
}
