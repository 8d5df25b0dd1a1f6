/** Reads a value out of a subject; undefined when it is not there. */
export type Getter = (subject: unknown) => unknown;

const STEP = /^[A-Za-z_][A-Za-z0-9_]*$/;
/** Words that JSONata reads as something other than a name. */
const RESERVED = new Set(['and', 'or', 'in', 'true', 'false', 'null', 'function']);
const STEPS_MAX = 16;

/** The steps of a bare path such as `record.receipt.scanned`; null for every other expression. */
export function barePathSteps(expression: string): readonly string[] | null {
  const steps = expression.split('.');
  const isBare = steps.every((step) => STEP.test(step) && !RESERVED.has(step));
  return isBare && steps.length <= STEPS_MAX ? steps : null;
}

/**
 * Compiles a bare path to a getter. It means what the same JSONata path means (arrays on the way are
 * mapped over and flattened), except that a path which crossed an array always yields an array, also of
 * one or of none: how many values there are must not decide their shape.
 */
export function compileBarePath(expression: string): Getter | null {
  const steps = barePathSteps(expression);
  return steps ? compilePath(steps) : null;
}

/** The same for steps that were read already. */
export function compilePath(steps: readonly string[]): Getter {
  return (subject) => walk(subject, steps, 0);
}

function walk(value: unknown, steps: readonly string[], index: number): unknown {
  if (Array.isArray(value)) return value.flatMap((item) => spread(walk(item, steps, index)));
  const step = steps[index];
  if (step === undefined) return value;
  if (typeof value !== 'object' || value === null || !Object.hasOwn(value, step)) return undefined;
  return walk((value as Record<string, unknown>)[step], steps, index + 1);
}

function spread(found: unknown): unknown[] {
  if (found === undefined) return [];
  return Array.isArray(found) ? found : [found];
}
