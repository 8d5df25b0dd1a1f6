import { compareDecimals, isDecimal } from '../formats/decimal.js';
import { parseTimestamp } from '../formats/instant.js';
import type { DocumentPath, RuleFault } from './site-fault.js';
import type { MethodEntry, PlanEntry, SiteFile } from './site-file.js';

/**
 * Rules between the entries of `site.yaml` that no schema can say. A file that broke its schema is checked
 * as far as it stands: sections may be missing, and `known` says which ids were written anywhere, so that
 * a broken entry is not also reported as unknown.
 */
export interface KnownIds {
  readonly areas: ReadonlySet<string>;
  readonly materials: ReadonlySet<string>;
  /** Decision id to the rule it decides; null when that part could not be read. */
  readonly decisions: ReadonlyMap<string, string | null>;
}

/** Every fault, in the order of the file. */
export function siteRuleFaults(site: Partial<SiteFile>, known: KnownIds): RuleFault[] {
  return [
    ...environmentFaults(site),
    ...duplicateFaults(site),
    ...(site.instruments ?? []).flatMap((instrument, index) =>
      unknownId(known.areas, instrument.area, ['instruments', index, 'area'], 'area'),
    ),
    ...(site.methods ?? []).flatMap((method, index) => methodFaults(method, index, known)),
    ...(site.plans ?? []).flatMap((plan, index) => planFaults(plan, index, known)),
    ...decisionFaults(site),
    ...secondPersonFaults(site, known),
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
  ];
}

function planSelector(plan: PlanEntry): string {
  return JSON.stringify([plan.material, plan.manufacturer ?? null, plan.supplier ?? null]);
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

function methodFaults(method: MethodEntry, index: number, known: KnownIds): RuleFault[] {
  const at = (...rest: DocumentPath): DocumentPath => ['methods', index, ...rest];
  const faults = [...unknownId(known.materials, method.material, at('material'), 'material')];
  for (const [entry, approval] of method.approvals.entries()) {
    faults.push(
      ...unknownDecision(
        known,
        approval.decision,
        at('approvals', entry, 'decision'),
        'method-approvals',
      ),
    );
    if (approval.material !== method.material) {
      faults.push({
        path: at('approvals', entry, 'material'),
        rule: 'approval-of-other-material',
        message: `method ${method.id} identifies ${method.material} and is approved for ${approval.material}`,
        remedy:
          'A method proves only the material it identifies: approve one made for that material.',
      });
    }
  }
  faults.push(...numberFaults(method, at));
  if (method.algorithm === 'squared-correlation' && method.reference === null) {
    faults.push({
      path: at('reference'),
      rule: 'method-without-reference',
      message: `method ${method.id} is recomputed by squared correlation and names no reference`,
      remedy: 'Name the reference spectrum, a two-column CSV in the site folder.',
    });
  }
  return faults;
}

function numberFaults(
  method: MethodEntry,
  at: (...rest: DocumentPath) => DocumentPath,
): RuleFault[] {
  const faults: RuleFault[] = [];
  const fault = (key: string, message: string, remedy: string) =>
    faults.push({ path: at(key), rule: 'method-numbers', message, remedy });
  const { threshold, scoreTolerance, range, gridStep, derivative } = method;
  if (outside(threshold, '0', '1') || Number(threshold) === 0) {
    fault('threshold', `threshold is ${threshold}, expected above 0 and at most 1`, 'Correct it.');
  }
  if (outside(scoreTolerance, '0', '0.1')) {
    fault(
      'scoreTolerance',
      `scoreTolerance is ${scoreTolerance}, expected 0 to 0.1`,
      'Correct it.',
    );
  }
  if (compareDecimals(range.from, range.to) >= 0 || Number(range.from) < 0) {
    fault(
      'range',
      `range runs from ${range.from} to ${range.to} cm-1`,
      'Let it rise from 0 or above.',
    );
  } else if (
    Number(gridStep) <= 0 ||
    (Number(range.to) - Number(range.from)) / Number(gridStep) > 20_000
  ) {
    fault(
      'gridStep',
      `a gridStep of ${gridStep} cm-1 divides the range into no or more than 20000 steps`,
      'Choose a step near the spacing of the spectra.',
    );
  }
  if (derivative && !isFilter(derivative)) {
    fault(
      'derivative',
      `${derivative.points} points, polynomial order ${derivative.polynomialOrder}, derivative ${derivative.order} is no Savitzky-Golay filter`,
      'Choose an odd number of points above the polynomial order, and an order of derivative up to it.',
    );
  }
  return faults;
}

function isFilter(filter: NonNullable<MethodEntry['derivative']>): boolean {
  return (
    filter.points % 2 === 1 &&
    filter.polynomialOrder < filter.points &&
    filter.order <= filter.polynomialOrder
  );
}

function outside(value: string, low: string, high: string): boolean {
  if (!isDecimal(value) || !isDecimal(low) || !isDecimal(high)) return true;
  return compareDecimals(value, low) < 0 || compareDecimals(value, high) > 0;
}

function planFaults(plan: PlanEntry, index: number, known: KnownIds): RuleFault[] {
  const at = (key: string): DocumentPath => ['plans', index, key];
  const faults = [...unknownDecision(known, plan.decision, at('decision'), 'sampling-plans')];
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
  if (plan.rounding !== 'up') {
    faults.push({
      path: at('rounding'),
      rule: 'plan-rounding',
      message: `the number of containers is rounded ${plan.rounding}, expected up`,
      remedy: 'Round up: any other rounding tests fewer containers than the plan says.',
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
    if (site.environment === 'production' && !decision.signed) {
      faults.push({
        path: ['decisions', index],
        rule: 'unsigned-decision-in-production',
        message: `decision ${decision.id} (${decision.rule}) is not signed and the environment is production`,
        remedy: 'Have the decision signed, or run the site as validation or training.',
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

function unknownDecision(
  known: KnownIds,
  id: string,
  path: DocumentPath,
  rule: string,
): RuleFault[] {
  const decides = known.decisions.get(id);
  if (decides === undefined) return unknownId(new Set(), id, path, 'decision');
  if (decides === null || decides === rule) return [];
  return [
    {
      path,
      rule: 'decision-of-other-rule',
      message: `decision ${id} is about ${decides}, expected one about ${rule}`,
      remedy: 'Name the decision that allows this.',
    },
  ];
}

function unknownId(
  known: ReadonlySet<string>,
  id: string,
  path: DocumentPath,
  what: string,
): RuleFault[] {
  if (known.has(id)) return [];
  return [
    {
      path,
      rule: `unknown-${what}`,
      message: `${what} ${JSON.stringify(id)} is not in this file`,
      remedy: `Add the ${what}, or correct the spelling (case counts).`,
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
