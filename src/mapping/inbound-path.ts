import { compilePath, type Getter } from './bare-path.js';

const STEP = /^(?:[A-Za-z_][A-Za-z0-9_]*|`[^`]{1,200}`)/;
const STEPS_MAX = 16;

/**
 * Steps of a path into a source document, `line.Batch.Number`. A name that JSONata would not take bare stands between
 * backticks, as in JSONata: ``line.`@id` `` is an attribute, ``line.`Batch no.` `` a column. null for any other text.
 */
export function inboundSteps(path: string): readonly string[] | null {
  const steps: string[] = [];
  for (let rest = path; ; ) {
    const [step] = STEP.exec(rest) ?? [];
    if (step === undefined || steps.length >= STEPS_MAX) return null;
    steps.push(step.startsWith('`') ? step.slice(1, -1) : step);
    rest = rest.slice(step.length);
    if (rest === '') return steps;
    if (!rest.startsWith('.')) return null;
    rest = rest.slice(1);
  }
}

/** Getter of a path; null for an expression. */
export function compileInboundPath(path: string): Getter | null {
  const steps = inboundSteps(path);
  return steps === null ? null : compilePath(steps);
}
