import { addMs, formatInstant, type Instant } from '../formats/instant.js';
import { askedOf, asksFurther, findPlanRule, isStricter } from '../receipts/sampling-plan.js';
import type { Condition } from '../records/statement-record.js';
import { lastInService, SINCE_EVER } from '../site/instrument-service.js';
import type { Instrument, OutOfServiceSpan } from '../site/site-folder.js';
import { type Assessment, containersFailing } from './assess-evidence.js';
import { condition, metUnless, named } from './condition.js';
import { measuringInstruments, notRecomputableBy } from './covering-result.js';
import { decisionFaults } from './decisions.js';
import type { ClaimFact, ReceiptFacts, ResultFact, StatementFacts } from './facts.js';
import { remeasuredSeries } from './remeasured-series.js';

/** Rules 1 and 14: the subject is an announced receipt line with containers, judged as it was announced. */
export function receiptKnown(facts: StatementFacts, receipt: ReceiptFacts): Condition {
  const against: string[] = [];
  if (!receipt.announced)
    against.push('the receipt is known from a scan only, nobody announced it');
  if (receipt.identity.material === null) against.push('the receipt names no material');
  if (facts.containers.length === 0) against.push('the receipt lists no container');
  const conformed = facts.conformedAtReceiptRevision;
  if (conformed !== null && conformed !== receipt.revision) {
    against.push(
      `the receipt was changed after it conformed (expectation revision ${conformed}, now ${receipt.revision})`,
    );
  }
  const { byHand, revision } = receipt;
  const who = byHand === undefined ? '' : `, announced by hand by ${byHand}`;
  return metUnless(
    'receipt-known',
    against,
    `expectation revision ${revision}, ${facts.containers.length} containers${who}`,
    {
      evidence: [
        { kind: 'receipt-revision', id: String(revision) },
        ...(byHand === undefined ? [] : [{ kind: 'announced-by-hand', id: byHand }]),
      ],
    },
  );
}

/** Rule 4: a plan from site data, fixed at the announcement, not since tightened. */
export function planInForce(facts: StatementFacts, receipt: ReceiptFacts): Condition {
  const { plan } = receipt;
  if (plan === null) return condition('plan-in-force', 'unmet', 'no sampling plan is in force');
  const required = facts.containers.filter((c) => c.required).length;
  const count = facts.containers.length;
  const asked = askedOf(plan, count);
  const against = decisionFaults(facts, plan.decision, 'the sampling plan');
  if (asked === 0) against.push('the plan asks for no container');
  if (required < asked)
    against.push(`${required} containers are chosen, the plan asks for ${asked}`);
  const rule = findPlanRule(facts.site.plans, receipt.identity, plan.foundAt);
  if (rule === null) against.push('the site has no plan for this material any more');
  else if (isStricter(rule, plan) || askedOf(rule, count) > asked) {
    against.push(`the site tightened the plan to "${rule.plan}"`);
  } else if (asksFurther(rule.afterFailure, plan.afterFailure)) {
    const further = rule.afterFailure ?? 'every';
    against.push(`the site tightened what follows a failure to ${further}`);
  }
  return metUnless(
    'plan-in-force',
    against,
    `plan "${plan.kind}": ${required} of ${facts.containers.length} containers`,
    { evidence: [{ kind: 'decision', id: plan.decision }] },
  );
}

/** Rule 3. What arrived by count is what was announced by label, and each chosen container is covered. */
export function coverage(facts: StatementFacts, assessment: Assessment): Condition {
  const { receipt } = assessment;
  const against: string[] = [];
  if (assessment.required.length === 0) against.push('no container is required');
  if (receipt.dockCount === null) against.push('nobody counted the containers at the dock');
  else if (receipt.dockCount !== facts.containers.length) {
    against.push(
      `${receipt.dockCount} containers were counted at the dock, ${facts.containers.length} were announced`,
    );
  }
  for (const container of assessment.uncovered) {
    const passes = assessment.passesByContainer.get(container.label) ?? [];
    const why = passes.flatMap((p) =>
      p.gaps.slice(0, 1).map((g) => `result ${p.result.resultId} ${g.reason}`),
    );
    against.push(`container ${container.label} is not covered${why[0] ? `: ${why[0]}` : ''}`);
  }
  return metUnless(
    'coverage',
    against,
    `${assessment.required.length} of ${assessment.required.length} required containers covered`,
    { evidence: assessment.uncovered.map((c) => ({ kind: 'container', id: c.label })) },
  );
}

/**
 * Rules 4, 8 and 12: acceptance number 0, whatever became of the result's bundle, and whatever was measured after it.
 */
export function noContraryResult(assessment: Assessment): Condition {
  const found = contraryResults(assessment);
  return { ...found, found: `${found.found}${remeasuredSeries(assessment)}` };
}

function contraryResults(assessment: Assessment): Condition {
  return metUnless(
    'no-contrary-result',
    [
      ...assessment.contrary.map(contraryWords),
      ...assessment.claimed.map((c) => `${contraryWords(c.result)}, ${CLAIMED[c.why]}`),
    ],
    explanation(assessment),
    {
      otherwise: 'contradicted',
      evidence: [
        ...assessment.contrary,
        ...assessment.claimed.map((c) => c.result),
        ...assessment.explained,
      ].map((r) => ({
        kind: 'result',
        id: r.resultId,
      })),
    },
  );
}

function contraryWords(r: ResultFact): string {
  const place = r.containerLabel ? ` on container ${r.containerLabel}` : '';
  const state = r.state === 'accepted' ? '' : ` (${r.state})`;
  return `result ${r.resultId}${place}: ${r.decision ?? 'contrary'}${state}`;
}

/** Rule 25: until a signature that holds says whose it is, it counts wherever it may belong. */
const CLAIMED: Readonly<Record<ClaimFact['why'], string>> = {
  proposed: 'proposed for this receipt, nobody signed yet',
  void: 'taken from this receipt by a signature that is void',
};

/** Rule 12: an attempt whose cause is signed stays named. */
function explanation({ explained }: Assessment): string {
  if (explained.length === 0) return 'no contrary result';
  const names = explained.map(
    (r) =>
      `result ${r.resultId} on container ${r.containerLabel ?? ''}: ${r.decision ?? 'contrary'}`,
  );
  return `no contrary result without a signed cause; explained: ${named(names)}`;
}

/** Rule 5. One pass that the recheck disagrees with leaves doubt that no other pass removes. */
export function recheck(facts: StatementFacts, assessment: Assessment): Condition {
  const all = [...facts.results, ...facts.claims.map((c) => c.result)];
  const disagreeing = all.filter((r) => r.recheck === 'disagrees');
  const declared = coveringUnrecomputed(facts, assessment);
  return metUnless(
    'recheck',
    [
      ...disagreeing.map((r) => `the recheck disagrees with result ${r.resultId}`),
      ...missing(
        containersFailing(assessment, 'recheck'),
        'has no pass that the recheck agrees with',
      ),
      ...noneRequired(assessment),
    ],
    declared.length === 0
      ? 'every covering result agrees with its recheck'
      : `every covering result agrees with its recheck, but for those that are not recomputable by a signed entry of the registry: ${named(declared.map((d) => d.words))}`,
    {
      evidence: [
        ...disagreeing.map((r) => ({ kind: 'result', id: r.resultId }) as const),
        ...[...new Set(declared.map((d) => d.decision))].map(
          (id) => ({ kind: 'decision', id }) as const,
        ),
      ],
    },
  );
}

/** Containers that nothing but a result covers which nobody can recompute. */
function coveringUnrecomputed(facts: StatementFacts, assessment: Assessment) {
  return [...assessment.passesByContainer].flatMap(([label, passes]) => {
    const covering = passes.filter((p) => p.gaps.length === 0).map((p) => p.result);
    const [first] = covering;
    if (first === undefined || covering.some((r) => r.recheck === 'agrees')) return [];
    const decision = notRecomputableBy(first, facts.site);
    if (decision === null) return [];
    const { resultId, methodId, methodVersion } = first;
    const words = `container ${label} by result ${resultId} (${methodId} version ${methodVersion}, decision ${decision})`;
    return [{ decision, words }];
  });
}

/** Rules 3 and 5: method registered, same content, approved for the material the receipt expects. */
export function methodsByContent(facts: StatementFacts, assessment: Assessment): Condition {
  const { material } = assessment.receipt.identity;
  const approvals = facts.site.methods
    .flatMap((m) => m.approvals)
    .filter((a) => a.material === material && !a.isSignature)
    .flatMap((a) => decisionFaults(facts, a.decision, 'a method approval'));
  return metUnless(
    'methods-by-content',
    [
      ...missing(
        containersFailing(assessment, 'methods-by-content'),
        `has no pass by a method registered and approved for ${material ?? 'its material'}`,
      ),
      ...noneRequired(assessment),
      ...new Set(approvals),
    ],
    `methods registered by content and approved for ${material ?? 'the material'}`,
  );
}

/** Rule 7. */
export function originAndEnvironment(facts: StatementFacts, assessment: Assessment): Condition {
  return metUnless(
    'origin-and-environment',
    [
      ...missing(
        containersFailing(assessment, 'origin-and-environment'),
        `has no pass whose origin counts in ${facts.site.environment}`,
      ),
      ...noneRequired(assessment),
    ],
    `origins count in ${facts.site.environment}`,
  );
}

/**
 * Rule 11. Every instrument of the receiving area that was in service between the goods receipt and the measurement
 * that completed coverage, and every instrument that measured the receipt, has synced past that measurement plus the
 * margin; one that went out of service before, past the last instant it was in service. By a folder that came into force
 * since, an instrument was out of service before only where a decision says so.
 */
export function heardFromEveryInstrument(facts: StatementFacts, assessment: Assessment): Condition {
  const code = 'heard-from-every-instrument';
  const { receipt, completedAt } = assessment;
  if (completedAt === null) return condition(code, 'unmet', 'coverage is not complete yet');
  if (receipt.areas.length === 0)
    return condition(code, 'unmet', 'the receiving area is not known');
  const due = addMs(completedAt, facts.site.limits.syncMarginMs);
  const asked = askedByFolder(facts, receipt, due);
  if (asked.size === 0) {
    return condition(code, 'unmet', `no instrument is in service in ${receipt.areas.join(', ')}`);
  }
  askByEarlierFolders(asked, facts, receipt, due);
  const measuring = measuringInstruments(facts);
  const serials = [...new Set([...asked.keys(), ...measuring])].sort();
  // One that measured the receipt is heard to the end, whatever its dates say.
  const dueOf = (serial: string) =>
    measuring.includes(serial) ? due : (asked.get(serial)?.through ?? due);
  return metUnless(
    code,
    serials.flatMap((serial) => {
      const silent = silence(serial, facts.heardAt.get(serial), dueOf(serial));
      return silent.length === 0 ? [] : [...silent, ...(asked.get(serial)?.because ?? [])];
    }),
    `heard from ${serials.join(', ')} past ${formatInstant(due)}`,
    { evidence: serials.map((id) => ({ kind: 'instrument', id })) },
  );
}

/** What an instrument has to be heard through, and why no note excuses it. */
interface Asked {
  readonly through: Instant;
  readonly because: readonly string[];
}

/** Instruments of the receiving area that were in service by the folder in force. */
function askedByFolder(
  facts: StatementFacts,
  receipt: ReceiptFacts,
  due: Instant,
): Map<string, Asked> {
  const asked = new Map<string, Asked>();
  for (const instrument of facts.site.instruments) {
    if (!receipt.areas.includes(instrument.area)) continue;
    const { founded, faults } = spansByDecisions(facts, instrument);
    const service = { ...instrument, outOfService: founded };
    const through = lastInService(service, receipt.evidenceFrom, due);
    if (through !== null) asked.set(instrument.serial, { through, because: faults });
  }
  return asked;
}

/**
 * Adds what was in service by the folders before, each for its time: that it was not, only a decision says. Instruments
 * are only added, and heard to later, so that nothing that was known before makes a statement better.
 */
function askByEarlierFolders(
  asked: Map<string, Asked>,
  facts: StatementFacts,
  receipt: ReceiptFacts,
  due: Instant,
): void {
  for (const { serial, area, from, to } of facts.service ?? []) {
    if (!receipt.areas.includes(area)) continue;
    const registered = facts.site.instruments.find((one) => one.serial === serial);
    const { founded, faults } =
      registered === undefined ? { founded: [], faults: [] } : spansByDecisions(facts, registered);
    const since = Math.max(receipt.evidenceFrom ?? SINCE_EVER, from) as Instant;
    const until = to === null ? due : (Math.min(due, to - 1) as Instant);
    const through = lastInService({ inService: true, outOfService: founded }, since, until);
    if (through === null) continue;
    const known = asked.get(serial);
    if (known !== undefined && known.through >= through) continue;
    const ended =
      to === null
        ? []
        : [
            `${serial} was in service there until ${formatInstant(to)}, and no signed decision says otherwise`,
          ];
    asked.set(serial, { through, because: [...ended, ...faults] });
  }
}

/** Rule 11: a note that it was out of service excuses an instrument only by a decision that may be rested on. */
function spansByDecisions(
  facts: StatementFacts,
  { serial, outOfService = [] }: Instrument,
): { readonly founded: readonly OutOfServiceSpan[]; readonly faults: readonly string[] } {
  const judged = outOfService.map((span) => ({
    span,
    faults: decisionFaults(facts, span.decision, `the note that ${serial} was out of service`),
  }));
  const faults = new Set(judged.flatMap((j) => j.faults));
  const founded = judged.filter((j) => j.faults.length === 0).map((j) => j.span);
  return { founded, faults: [...faults] };
}

function silence(serial: string, heardAt: Instant | undefined, due: Instant): string[] {
  if (heardAt === undefined) return [`${serial} has never synced`];
  if (heardAt >= due) return [];
  return [
    `${serial} synced last at ${formatInstant(heardAt)}, expected past ${formatInstant(due)}`,
  ];
}

function missing(containers: readonly { readonly label: string }[], what: string): string[] {
  return containers.map((c) => `container ${c.label} ${what}`);
}

/** Never vacuously met: with no required container there is nothing to be met by. */
function noneRequired(assessment: Assessment): string[] {
  return assessment.required.length === 0 ? ['no container is required'] : [];
}
