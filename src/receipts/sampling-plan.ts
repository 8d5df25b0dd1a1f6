import { createHash } from 'node:crypto';
import type { Instant } from '../formats/instant.js';
import type { PlanKind, PlanRounding, PlanRule } from '../site/site-folder.js';

/**
 * Which containers of a receipt line must be identified. Acceptance number is 0 in every plan: a plan
 * decides which containers are tested, never how many may fail (rule 4).
 *
 * sqrt(N) + 1 is a custom, not a statistical plan: it misses one mislabelled container among N with
 * probability 1 - n/N (N = 40, n = 8: 0.80).
 */
export interface SamplingPlan {
  readonly kind: PlanKind;
  readonly rounding: PlanRounding;
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
  /** A rule names it `plan`, a plan `kind`. */
  readonly plan?: PlanKind;
  readonly kind?: PlanKind;
}

/** True when `a` asks for more containers than `b` at some N and for fewer at none. */
export function isStricter(a: Strictness, b: Strictness): boolean {
  return strictness(a) > strictness(b);
}

function strictness(of: Strictness): number {
  if ((of.plan ?? of.kind) === 'every') return 3;
  return of.rounding === 'up' ? 2 : of.rounding === 'nearest' ? 1 : 0;
}

/**
 * The rule in force for a material of a manufacturer through a supplier; the most specific wins, and among
 * equally specific ones the stricter. `*` as material matches every material. null when none is in force,
 * which leaves the receipt incomplete.
 */
export function findPlanRule(
  rules: readonly PlanRule[],
  subject: PlanSubject,
  at: Instant,
): PlanRule | null {
  if (subject.material === null) return null;
  let best: PlanRule | null = null;
  for (const rule of rules) {
    if (!matches(rule, subject) || at >= rule.expires) continue;
    if (best === null || ranksAbove(rule, best)) best = rule;
  }
  return best;
}

function matches(rule: PlanRule, subject: PlanSubject): boolean {
  return (
    (rule.material === '*' || rule.material === subject.material) &&
    (rule.manufacturer === null || rule.manufacturer === subject.manufacturer) &&
    (rule.supplier === null || rule.supplier === subject.supplier)
  );
}

function specificity(rule: PlanRule): number {
  return (
    (rule.material === '*' ? 0 : 4) +
    (rule.manufacturer === null ? 0 : 2) +
    (rule.supplier === null ? 0 : 1)
  );
}

function ranksAbove(rule: PlanRule, best: PlanRule): boolean {
  const difference = specificity(rule) - specificity(best);
  return difference === 0 ? isStricter(rule, best) : difference > 0;
}

/**
 * How many of `containers` a plan asks for. `every`: N. `sqrt`: min(N, 1 + sqrt N) with sqrt N rounded as
 * named (a tie cannot occur: sqrt N is whole or irrational). 0 for no containers.
 *
 * @throws RangeError when `containers` is not a whole number of at least 0.
 */
export function requiredCount(kind: PlanKind, rounding: PlanRounding, containers: number): number {
  if (!Number.isSafeInteger(containers) || containers < 0) {
    throw new RangeError(`expected a whole number of containers, found ${containers}`);
  }
  if (kind === 'every' || containers === 0) return containers;
  return Math.min(containers, 1 + roundedRoot(containers, rounding));
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
    decision: rule.decision,
    containers,
    required: requiredCount(rule.plan, rule.rounding, containers),
    seed,
    foundAt,
  };
}
