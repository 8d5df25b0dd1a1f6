import { writtenText } from '../formats/written-text.js';
import type {
  Condition,
  ConditionCode,
  ConditionState,
  EvidenceReference,
} from '../records/statement-record.js';

const EVIDENCE_MAX = 100;
const NAMES_MAX = 5;

/** Characters of what a condition found. */
const FOUND_MAX = 4_000;

/** Builds a condition, whose words every kind of payload can carry; evidence beyond a hundred references is left out of the list, not of the verdict. */
export function condition(
  code: ConditionCode,
  state: ConditionState,
  found: string,
  evidence: readonly EvidenceReference[] = [],
): Condition {
  const words = writtenText(found, FOUND_MAX);
  return { code, state, found: words, evidence: evidence.slice(0, EVIDENCE_MAX) };
}

/** Met when nothing stands against it, else `otherwise` with the first few things named. */
export function metUnless(
  code: ConditionCode,
  against: readonly string[],
  whenMet: string,
  options: {
    readonly otherwise?: 'unmet' | 'contradicted';
    readonly evidence?: readonly EvidenceReference[];
  } = {},
): Condition {
  if (against.length === 0) return condition(code, 'met', whenMet, options.evidence);
  return condition(code, options.otherwise ?? 'unmet', named(against), options.evidence);
}

/** `a; b; c and 4 more`. */
export function named(items: readonly string[]): string {
  const shown = items.slice(0, NAMES_MAX).join('; ');
  return items.length > NAMES_MAX ? `${shown} and ${items.length - NAMES_MAX} more` : shown;
}
