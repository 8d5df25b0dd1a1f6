import { canonicalJson } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { PlanRule } from '../site/site-folder.js';
import type { ReceiptLine } from './expectation-line.js';
import { containerKey } from './label.js';
import {
  asksFurther,
  compareStrictness,
  containersOf,
  findPlanRule,
  type PlanSubject,
  planFromRule,
  type SamplingPlan,
  sameSubject,
} from './sampling-plan.js';

export interface Correction {
  /** What is in force after the change. */
  readonly line: ReceiptLine;
  /** What the new announcement would have eased and what stays in force instead, in words. */
  readonly keptBack: readonly string[];
}

/** True when two announcements say the same. */
export function saysTheSame(a: ReceiptLine, b: ReceiptLine): boolean {
  return canonicalJson(a) === canonicalJson(b);
}

/**
 * The stricter of two announcements of one receipt, for use once something was measured under it: a
 * container leaves, a goods receipt moves back, a retest date moves out or material, lot or scan text change only by a
 * signed correction, since each could turn missing or contrary evidence into a conforming receipt (rule 9).
 * What makes the receipt harder to conform is taken at once.
 */
export function correctStrictly(inForce: ReceiptLine, announced: ReceiptLine): Correction {
  const keptBack: string[] = [];
  const removed = removedContainers(inForce, announced);
  for (const label of removed) keptBack.push(`container "${label}" stays expected`);
  const receivedAt = laterOf(inForce.receivedAt, announced.receivedAt);
  if (receivedAt !== announced.receivedAt) keptBack.push('the later goods-receipt instant stays');
  const retestAt = earlierOf(inForce.retestAt, announced.retestAt);
  if (retestAt !== announced.retestAt) keptBack.push('the earlier retest date stays');
  const dockCount = higherOf(inForce.dockCount, announced.dockCount);
  if (dockCount !== announced.dockCount) keptBack.push('the higher dock count stays');
  const identity = keepIdentity(inForce, announced, keptBack);
  if (inForce.scanText !== announced.scanText) {
    keptBack.push(`scan text "${inForce.scanText}" stays, results were measured under it`);
  }
  return {
    line: {
      ...announced,
      ...identity,
      receivedAt,
      retestAt,
      dockCount,
      scanText: inForce.scanText,
      containers: [...announced.containers, ...removed],
    },
    keptBack,
  };
}

const IDENTITY = ['material', 'supplierLot', 'siteLot'] as const;

/**
 * Material and lots decide which results cover: announcing those that were measured, instead of those that
 * were expected, would turn a mix-up into a pass. A value that was missing may be supplied.
 */
function keepIdentity(
  inForce: ReceiptLine,
  announced: ReceiptLine,
  keptBack: string[],
): Pick<ReceiptLine, (typeof IDENTITY)[number]> {
  const kept = {
    material: announced.material,
    supplierLot: announced.supplierLot,
    siteLot: announced.siteLot,
  };
  for (const field of IDENTITY) {
    const held = inForce[field];
    if (held === null || held === announced[field]) continue;
    kept[field] = held;
    keptBack.push(`${WORDS[field]} "${held}" stays, results were measured under it`);
  }
  return kept;
}

const WORDS = { material: 'material', supplierLot: "supplier's lot", siteLot: 'site lot' } as const;

function removedContainers(inForce: ReceiptLine, announced: ReceiptLine): string[] {
  const still = new Set(announced.containers.map(containerKey));
  return inForce.containers.filter((label) => !still.has(containerKey(label)));
}

/** Supplying a missing value is no easing; taking one away is. */
function laterOf(inForce: Instant | null, announced: Instant | null): Instant | null {
  if (inForce === null || announced === null) return announced ?? inForce;
  return announced > inForce ? announced : inForce;
}

function earlierOf(inForce: Instant | null, announced: Instant | null): Instant | null {
  if (inForce === null || announced === null) return announced ?? inForce;
  return announced < inForce ? announced : inForce;
}

function higherOf(inForce: number | null, announced: number | null): number | null {
  if (inForce === null || announced === null) return announced ?? inForce;
  return Math.max(inForce, announced);
}

export interface PlannedContainers {
  readonly plan: SamplingPlan | null;
  /** Normalised labels the plan asks for; every one when there is no plan. */
  readonly required: ReadonlySet<string>;
}

/**
 * The plan of a receipt after an announcement. The plan stored with a receipt stays its plan, whatever the
 * site's rules become later; only a change of material, manufacturer or supplier looks for another rule,
 * and once something was measured the stricter of the two holds. A container once chosen stays chosen.
 */
export function planContainers(options: {
  readonly rules: readonly PlanRule[];
  readonly line: ReceiptLine;
  readonly before: {
    readonly plan: SamplingPlan | null;
    readonly required: ReadonlySet<string>;
    readonly subject: PlanSubject;
  } | null;
  readonly measured: boolean;
  readonly seed: string;
  readonly now: Instant;
}): PlannedContainers {
  const { line, before } = options;
  const labels = line.containers.map(containerKey);
  const base = basePlan(options);
  if (base === null) return { plan: null, required: new Set(labels) };
  const required = containersOf(base, labels);
  if (before?.plan) {
    for (const label of labels) if (before.required.has(label)) required.add(label);
  }
  return {
    plan: { ...base, containers: labels.length, required: required.size },
    required,
  };
}

function basePlan(options: Parameters<typeof planContainers>[0]): SamplingPlan | null {
  const { rules, line, before, measured, seed, now } = options;
  const kept = before?.plan ?? null;
  if (kept && before && sameSubject(before.subject, line)) return kept;
  const rule = findPlanRule(rules, line, now);
  if (rule === null) return null;
  const found = planFromRule(rule, line.containers.length, kept?.seed ?? seed, now);
  if (!measured || before === null) return found;
  // Without a plan every container was required: another maker or supplier does not ease that (rule 4).
  if (kept === null) return sameSubject(before.subject, line) ? found : everyContainer(found);
  const { afterFailure = 'every' } = asksFurther(kept.afterFailure, found.afterFailure)
    ? kept
    : found;
  return { ...stricterPlan(kept, found), afterFailure };
}

/** Where each asks for more at some number of containers, neither is stricter, and every container is tested. */
function stricterPlan(kept: SamplingPlan, found: SamplingPlan): SamplingPlan {
  const order = compareStrictness(kept, found);
  if (order === 'stricter') return kept;
  return order === 'crossing' ? everyContainer(found) : found;
}

function everyContainer({ positions: _, ...plan }: SamplingPlan): SamplingPlan {
  return { ...plan, kind: 'every', rounding: 'up', required: plan.containers };
}
