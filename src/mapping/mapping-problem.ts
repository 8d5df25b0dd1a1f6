import type { MessageName, Path } from '../site/mapping-document.js';

export type MappingProblemCode =
  | 'message-not-mapped'
  | 'required-missing'
  | 'several-values'
  | 'not-a-leaf'
  | 'identifier-altered'
  | 'table-row-missing'
  | 'not-decimal'
  | 'number-not-exact'
  | 'not-boolean'
  | 'site-time'
  | 'too-long'
  | 'payload-too-large'
  | 'lossy-character'
  | 'expression-invalid'
  | 'expression-failed'
  | 'expression-deadline'
  | 'expression-memory'
  | 'expression-output'
  | 'contract'
  | 'request-path'
  | 'permits-without-conforms'
  | 'conforms-without-permit';

/** Why a payload was not built: always with the message, and with field and expression where there is one. */
export interface MappingProblem {
  readonly code: MappingProblemCode;
  readonly message: MessageName;
  /** Where in the payload; null when it is about the whole of it. */
  readonly field: Path | null;
  /** Expression the field takes its value from, or null. */
  readonly expression: string | null;
  /** Found against expected. */
  readonly detail: string;
  readonly remedy: string;
}

/** One line for a delivery's reason or a terminal. */
export function describeProblem(problem: MappingProblem): string {
  const field = problem.field === null ? '' : ` ${problem.field}`;
  const expression = problem.expression === null ? '' : ` (from ${problem.expression})`;
  return `${problem.message}${field}${expression}: ${problem.detail}. ${problem.remedy}`;
}
