import { parseTimestamp } from '../formats/instant.js';
import { normaliseLabel } from '../receipts/label.js';
import { instrumentFaults } from './instrument-rules.js';
import { type KnownIds, unknownDecision, unknownId } from './known-ids.js';
import { overlappingVersions } from './method-date-rules.js';
import { methodFaults } from './method-rules.js';
import type { DocumentPath, RuleFault } from './site-fault.js';
import type { AttributePlanEntry, PlanEntry, SiteFile } from './site-file.js';

/**
 * Rules between the entries of `site.yaml` that no schema can say, in the order of the file. A file that
 * broke its schema is checked as far as it stands: sections and entries may be missing.
 */
export function siteRuleFaults(site: Partial<SiteFile>, known: KnownIds): RuleFault[] {
  return [
    ...environmentFaults(site),
    ...duplicateFaults(site),
    ...(site.instruments ?? []).flatMap((instrument, index) =>
      instrumentFaults(instrument, index, known),
    ),
    ...(site.methods ?? []).flatMap((method, index) => methodFaults(method, index, known)),
    ...overlappingVersions(site.methods ?? []),
    ...(site.references ?? []).flatMap((reference, index) =>
      unknownId(known.materials, reference.material, ['references', index, 'material'], 'material'),
    ),
    ...(site.plans ?? []).flatMap((plan, index) => planFaults(plan, index, known)),
    ...(site.attributePlans ?? []).flatMap((plan, index) =>
      attributePlanFaults(plan, index, known),
    ),
    ...decisionFaults(site),
    ...secondPersonFaults(site, known),
    ...escalationFaults(site),
  ];
}

function environmentFaults(site: Partial<SiteFile>): RuleFault[] {
  const faults: RuleFault[] = [];
  if (site.timeZone !== undefined && !isTimeZone(site.timeZone)) {
    faults.push({
      path: ['timeZone'],
      rule: 'time-zone',
      message: `${JSON.stringify(site.timeZone)} is no IANA time zone`,
      remedy: 'Write a name such as Europe/London.',
    });
  }
  if (site.environment === 'production' && site.simulated === true) {
    faults.push({
      path: ['simulated'],
      rule: 'simulated-in-production',
      message: 'the site is simulated and its environment is production',
      remedy: 'Run invented data as training, or set simulated to false.',
    });
  }
  return faults;
}

function duplicateFaults(site: Partial<SiteFile>): RuleFault[] {
  return [
    ...duplicates(
      'areas',
      'id',
      (site.areas ?? []).map((a) => a.id),
    ),
    ...duplicates(
      'instruments',
      'serial',
      (site.instruments ?? []).map((i) => i.serial),
    ),
    ...duplicates(
      'materials',
      'code',
      (site.materials ?? []).map((m) => m.code),
    ),
    ...duplicates(
      'methods',
      'id',
      (site.methods ?? []).map((m) => `${m.id} version ${m.version}`),
    ),
    ...duplicates(
      'decisions',
      'id',
      (site.decisions ?? []).map((d) => d.id),
    ),
    ...duplicates(
      'destinations',
      'name',
      (site.destinations ?? []).map((d) => d.name),
    ),
    ...duplicates('plans', 'material', (site.plans ?? []).map(planSelector)),
    ...duplicates(
      'attributePlans',
      'material',
      (site.attributePlans ?? []).map((plan) => `${plan.attribute} of ${planSelector(plan)}`),
    ),
  ];
}

/** Whom a plan holds for, as it is looked up. */
function planSelector(plan: Pick<PlanEntry, 'material' | 'manufacturer' | 'supplier'>): string {
  const names = [plan.manufacturer ?? null, plan.supplier ?? null];
  return JSON.stringify([plan.material, ...names.map((name) => name && normaliseLabel(name))]);
}

function duplicates(section: string, key: string, ids: readonly string[]): RuleFault[] {
  const first = new Map<string, number>();
  const faults: RuleFault[] = [];
  for (const [index, id] of ids.entries()) {
    const earlier = first.get(id);
    if (earlier === undefined) {
      first.set(id, index);
    } else {
      faults.push({
        path: [section, index, key],
        rule: 'duplicate-id',
        message: `${section} entry ${index + 1} repeats ${id}, already entry ${earlier + 1}`,
        remedy: 'Remove one of the two, or give it an id of its own.',
      });
    }
  }
  return faults;
}

function attributePlanFaults(
  plan: AttributePlanEntry,
  index: number,
  known: KnownIds,
): RuleFault[] {
  const at = (key: string): DocumentPath => ['attributePlans', index, key];
  return commonPlanFaults(plan, at, known, 'attribute-plans');
}

/** @param rule that the decision has to be about */
function commonPlanFaults(
  plan: Pick<PlanEntry, 'material' | 'decision' | 'expires'>,
  at: (key: string) => DocumentPath,
  known: KnownIds,
  rule: string,
): RuleFault[] {
  const faults = [...unknownDecision(known, plan.decision, at('decision'), rule)];
  if (plan.material !== '*') {
    faults.push(...unknownId(known.materials, plan.material, at('material'), 'material'));
  }
  if (parseTimestamp(plan.expires) === null) {
    faults.push({
      path: at('expires'),
      rule: 'plan-expiry',
      message: `expires is ${JSON.stringify(plan.expires)}, expected a date-time with offset`,
      remedy:
        'Write one such as 2030-12-31T23:59:59Z: an unread expiry would leave the plan in force for ever.',
    });
  }
  return faults;
}

function planFaults(plan: PlanEntry, index: number, known: KnownIds): RuleFault[] {
  const at = (key: string): DocumentPath => ['plans', index, key];
  const faults = commonPlanFaults(plan, at, known, 'sampling-plans');
  const isReduced = plan.plan !== 'every';
  if (isReduced && (plan.material === '*' || (plan.manufacturer ?? null) === null)) {
    faults.push({
      path: at(plan.material === '*' ? 'material' : 'manufacturer'),
      rule: 'reduced-plan-unbound',
      message:
        'a reduced plan names neither one material nor one manufacturer it was justified for',
      remedy: 'Name material and manufacturer, or test every container.',
    });
  }
  if ((plan.plan === 'fixed') !== (plan.positions !== undefined)) {
    faults.push({
      path: at(plan.positions === undefined ? 'plan' : 'positions'),
      rule: 'plan-positions',
      message:
        plan.positions === undefined
          ? 'a fixed plan does not say which containers it takes'
          : `the plan "${plan.plan}" has positions, which only a fixed plan takes`,
      remedy: 'Write positions with plan: fixed, and with no other plan.',
    });
  }
  if (plan.rounding !== 'up' && plan.plan !== 'sqrt') {
    faults.push({
      path: at('rounding'),
      rule: 'plan-rounding',
      message: `the plan "${plan.plan}" is rounded ${plan.rounding}, expected up`,
      remedy: 'Write up: only the square root plan may be rounded in another way, by its decision.',
    });
  }
  return faults;
}

function decisionFaults(site: Partial<SiteFile>): RuleFault[] {
  return (site.decisions ?? []).flatMap((decision, index) => {
    const faults: RuleFault[] = [];
    if (parseTimestamp(`${decision.date}T00:00:00Z`) === null) {
      faults.push({
        path: ['decisions', index, 'date'],
        rule: 'decision-date',
        message: `${decision.date} is no day of the calendar`,
        remedy: 'Write the day of the decision as YYYY-MM-DD.',
      });
    }
    return faults;
  });
}

function secondPersonFaults(site: Partial<SiteFile>, known: KnownIds): RuleFault[] {
  const rule = site.secondPerson;
  if (!rule || rule.required) return [];
  return unknownDecision(known, rule.decision, ['secondPerson', 'decision'], 'second-person-off');
}

function escalationFaults({ environment, escalation }: Partial<SiteFile>): RuleFault[] {
  if (escalation && escalation.email === undefined && escalation.destination === undefined) {
    return [
      {
        path: ['escalation'],
        rule: 'escalation-to-nobody',
        message: 'the second channel for stops names neither email nor a destination',
        remedy: 'Write email, destination or both.',
      },
    ];
  }
  if (environment !== 'production' || escalation?.email?.tls !== 'none') return [];
  return [
    {
      path: ['escalation', 'email', 'tls'],
      rule: 'plain-mail-in-production',
      message: 'mail about stops would leave unencrypted and the environment is production',
      remedy: 'Write starttls or implicit, as the mail server offers it.',
    },
  ];
}

function isTimeZone(name: string): boolean {
  try {
    return new Intl.DateTimeFormat('en', { timeZone: name }).resolvedOptions().timeZone !== '';
  } catch {
    // The only failure is a RangeError for a name the runtime does not know.
    return false;
  }
}
