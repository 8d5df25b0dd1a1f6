import { createHash } from 'node:crypto';
import type { Instant } from '../formats/instant.js';
import type { FurtherRule, PlanKind, PlanRounding, PlanRule } from '../site/site-folder.js';
import { normaliseLabel } from './label.js';
import { WHO_TABLES, type WhoTable } from './published-plans.js';
import { CONTAINERS_MAX } from './receipt-bounds.js';

/**
 * Which containers of a receipt line must be identified. Acceptance number is 0 in every plan: a plan
 * decides which containers are tested, never how many may fail (rule 4).
 *
 * The p and r plans of WHO ask for every container too: what they reduce are later tests. The n plan is not meant for
 * makers, who identify each container; a site that uses it says why in its decision.
 *
 * sqrt(N) + 1 is a custom, not a statistical plan: it misses one mislabelled container among N with
 * probability 1 - n/N (N = 40, n = 8: 0.80).
 */
export interface SamplingPlan {
  readonly kind: PlanKind;
  readonly rounding: PlanRounding;
  /** Of a fixed plan: places in the announced list, from 1. */
  readonly positions?: readonly number[];
  /** How many more containers are identified for each one that failed; every one when left out. */
  readonly afterFailure?: FurtherRule;
  /** Id of the decision record it rests on. */
  readonly decision: string;
  /** Containers on the list when it was worked out, and how many of them it asks for. */
  readonly containers: number;
  readonly required: number;
  /** Containers are taken in the order of SHA-256(seed + normalised label). */
  readonly seed: string;
  /** When the rule was looked up; a rule that expires later stays the plan of this receipt. */
  readonly foundAt: Instant;
}

export interface PlanSubject {
  readonly material: string | null;
  readonly manufacturer: string | null;
  readonly supplier: string | null;
}

/** The part of a rule or of a plan that says how many containers it asks for. */
interface Strictness {
  readonly rounding: PlanRounding;
  readonly positions?: readonly number[];
  /** A rule names it `plan`, a plan `kind`. */
  readonly plan?: PlanKind;
  readonly kind?: PlanKind;
}

/** True when `a` asks for more containers than `b` at some N and for fewer at none. */
export function isStricter(a: Strictness, b: Strictness): boolean {
  return compareStrictness(a, b) === 'stricter';
}

export type StrictnessOrder = 'stricter' | 'looser' | 'equal' | 'crossing';

/** How `a` stands to `b` over every number of containers a receipt may have; `crossing` when each asks for more at some. */
export function compareStrictness(a: Strictness, b: Strictness): StrictnessOrder {
  const key = JSON.stringify([shapeOf(a), shapeOf(b)]);
  const known = ORDERS.get(key);
  if (known !== undefined) return known;
  let isMore = false;
  let isLess = false;
  for (let n = 1; n <= CONTAINERS_MAX; n += 1) {
    const difference = askedOf(a, n) - askedOf(b, n);
    isMore ||= difference > 0;
    isLess ||= difference < 0;
  }
  const order = isMore ? (isLess ? 'crossing' : 'stricter') : isLess ? 'looser' : 'equal';
  if (ORDERS.size >= ORDERS_MAX) ORDERS.clear();
  ORDERS.set(key, order);
  return order;
}

/** Rules hardly ever change, and each comparison looks at every N. */
const ORDERS = new Map<string, StrictnessOrder>();
const ORDERS_MAX = 1_000;

/** How many of so many containers a rule or plan asks for. */
export function askedOf(of: Strictness, containers: number): number {
  return requiredCount(kindOf(of), of.rounding, containers, of.positions);
}

function kindOf(of: Strictness): PlanKind {
  return of.plan ?? of.kind ?? 'every';
}

function shapeOf(of: Strictness): unknown {
  const kind = kindOf(of);
  if (kind === 'fixed') return [...(of.positions ?? [])].sort((a, b) => a - b);
  return kind === 'sqrt' ? `sqrt-${of.rounding}` : kind;
}

/**
 * The rule in force for a material of a manufacturer through a supplier. One that holds for a part of what another holds
 * for wins over it; where neither does (a maker's rule and a supplier's), the stricter one wins. `*` as material
 * matches every material. null when none is in force, which leaves the receipt incomplete.
 */
export function findPlanRule(
  rules: readonly PlanRule[],
  subject: PlanSubject,
  at: Instant,
): PlanRule | null {
  if (subject.material === null) return null;
  const found = rules.filter((rule) => matchesSubject(rule, subject) && at < rule.expires);
  let best: PlanRule | null = null;
  for (const rule of found) {
    if (found.some((other) => isNarrower(other, rule))) continue;
    if (best === null || ranksAbove(rule, best)) best = rule;
  }
  return best;
}

/** What a rule of the site holds for. */
type PlanScope = Pick<PlanRule, 'material' | 'manufacturer' | 'supplier'>;

/**
 * A subject without a material is matched by no rule. Blanks and accents count however they are encoded: else a strict rule
 * of a broker would not hold for one that ERP writes with two blanks.
 */
export function matchesSubject(rule: PlanScope, subject: PlanSubject): boolean {
  return (
    subject.material !== null &&
    (rule.material === '*' || rule.material === subject.material) &&
    (rule.manufacturer === null || isNamed(rule.manufacturer, subject.manufacturer)) &&
    (rule.supplier === null || isNamed(rule.supplier, subject.supplier))
  );
}

function isNamed(by: string, name: string | null): boolean {
  return by === name || (name !== null && normaliseLabel(by) === normaliseLabel(name));
}

export function sameSubject(a: PlanSubject, b: PlanSubject): boolean {
  return (
    a.material === b.material && a.manufacturer === b.manufacturer && a.supplier === b.supplier
  );
}

/** The higher, the more specific; each bit one thing that the rule names. */
export function specificity(rule: PlanScope): number {
  return (
    (rule.material === '*' ? 0 : 4) +
    (rule.manufacturer === null ? 0 : 2) +
    (rule.supplier === null ? 0 : 1)
  );
}

/** Of two rules for one subject: `a` names all that `b` names, and more. */
function isNarrower(a: PlanScope, b: PlanScope): boolean {
  const [ofA, ofB] = [specificity(a), specificity(b)];
  return ofA !== ofB && (ofA & ofB) === ofB;
}

function ranksAbove(rule: PlanRule, best: PlanRule): boolean {
  const order = compareStrictness(rule, best);
  if (order === 'stricter' || order === 'looser') return order === 'stricter';
  return specificity(rule) > specificity(best);
}

/**
 * How many of `containers` a plan asks for, at most all of them; 0 for no containers.
 *
 * - `every`, `who-p`, `who-r`: N.
 * - `sqrt`: 1 + sqrt N with sqrt N rounded as named (a tie cannot occur: sqrt N is whole or irrational).
 * - `who-n`: every container up to 4, then the published table.
 * - `fixed`: as many as its list has places; N when the receipt lacks one of them, since the plan cannot be followed.
 *
 * @throws RangeError when `containers` is not a whole number of at least 0.
 */
export function requiredCount(
  kind: PlanKind,
  rounding: PlanRounding,
  containers: number,
  positions: readonly number[] = [],
): number {
  if (!Number.isSafeInteger(containers) || containers < 0) {
    throw new RangeError(`expected a whole number of containers, found ${containers}`);
  }
  switch (kind) {
    case 'every':
    case 'who-p':
    case 'who-r':
      return containers;
    case 'sqrt':
      return containers === 0 ? 0 : Math.min(containers, 1 + roundedRoot(containers, rounding));
    case 'who-n':
      return containers <= WHO_EVERY_UP_TO ? containers : whoCount(WHO_TABLES.n, containers);
    case 'fixed': {
      const isWhole = positions.length > 0 && positions.every((position) => position <= containers);
      return isWhole ? new Set(positions).size : containers;
    }
  }
}

/** The n plan's condition for small lots, which stands above its table. */
const WHO_EVERY_UP_TO = 4;

/** Containers that a WHO plan takes out of so many: original samples (n), composites (p), full tests (r). */
export function whoCount({ rows, beyond }: WhoTable, containers: number): number {
  const row = rows.find(([upTo]) => containers <= upTo);
  if (row !== undefined) return Math.min(containers, row[1]);
  // factor * sqrt N = sqrt((10 factor)² N) / 10, in whole numbers: the tenths of it decide the rounding.
  const tenths = beyond.tenths;
  const square = tenths * tenths * containers;
  const whole = Math.floor(integerRoot(square) / 10);
  const isUp =
    beyond.rounding === 'up' ? 100 * whole * whole < square : (10 * whole + 5) ** 2 <= square;
  return Math.min(containers, whole + (isUp ? 1 : 0) + beyond.plus);
}

function roundedRoot(n: number, rounding: PlanRounding): number {
  const floor = integerRoot(n);
  if (floor * floor === n || rounding === 'down') return floor;
  if (rounding === 'up') return floor + 1;
  // sqrt n > floor + 1/2 exactly when n > floor² + floor + 1/4.
  return n > floor * floor + floor ? floor + 1 : floor;
}

/** Largest whole r with r² <= n: the double only guesses, whole numbers decide. */
function integerRoot(n: number): number {
  let root = Math.floor(Math.sqrt(n));
  while (root * root > n) root -= 1;
  while ((root + 1) * (root + 1) <= n) root += 1;
  return root;
}

/** True when rule `a` asks for more containers after a failure than `b`; every one of them when left out. */
export function asksFurther(a: FurtherRule | undefined, b: FurtherRule | undefined): boolean {
  return furtherCount(a) > furtherCount(b);
}

function furtherCount(rule: FurtherRule | undefined): number {
  return rule === undefined || rule === 'every' ? Number.POSITIVE_INFINITY : rule;
}

/**
 * Containers that are identified as well once some failed: for each of those as many as the plan says, every one of the
 * receipt unless it says a number, in the order of the plan's seed. Not to outvote the failure, which stands, but
 * to find out how far it reaches. Empty while nothing failed.
 *
 * @param normalisedLabels every container of the receipt
 * @param required those that are identified anyway
 * @param failures containers that failed
 */
export function furtherContainers(
  plan: Pick<SamplingPlan, 'seed' | 'afterFailure'>,
  normalisedLabels: readonly string[],
  required: ReadonlySet<string>,
  failures: number,
): Set<string> {
  if (failures === 0) return new Set();
  const others = normalisedLabels.filter((label) => !required.has(label));
  return chooseContainers(others, failures * furtherCount(plan.afterFailure), plan.seed);
}

/** The labels of a plan: at its places, or at random from its seed. */
export function containersOf(
  plan: Pick<SamplingPlan, 'kind' | 'rounding' | 'seed' | 'positions'>,
  normalisedLabels: readonly string[],
): Set<string> {
  const count = askedOf(plan, normalisedLabels.length);
  if (plan.kind === 'fixed' && count < normalisedLabels.length) {
    return new Set(plan.positions?.flatMap((position) => normalisedLabels[position - 1] ?? []));
  }
  return chooseContainers(normalisedLabels, count, plan.seed);
}

/**
 * The labels a plan picks: all of them in the order of SHA-256(seed + label), the first `required`. Nobody
 * can choose the drums, and anybody with the seed can repeat the choice.
 */
export function chooseContainers(
  normalisedLabels: readonly string[],
  required: number,
  seed: string,
): Set<string> {
  if (required >= normalisedLabels.length) return new Set(normalisedLabels);
  const ordered = normalisedLabels
    .map((label) => ({
      label,
      key: createHash('sha256')
        .update(seed + label)
        .digest('hex'),
    }))
    .sort((a, b) => (a.key < b.key ? -1 : a.key > b.key ? 1 : 0));
  return new Set(ordered.slice(0, required).map((o) => o.label));
}

/** Works a rule out for a list of so many containers. */
export function planFromRule(
  rule: PlanRule,
  containers: number,
  seed: string,
  foundAt: Instant,
): SamplingPlan {
  return {
    kind: rule.plan,
    rounding: rule.rounding,
    ...(rule.positions === undefined ? {} : { positions: rule.positions }),
    afterFailure: rule.afterFailure ?? 'every',
    decision: rule.decision,
    containers,
    required: askedOf(rule, containers),
    seed,
    foundAt,
  };
}
