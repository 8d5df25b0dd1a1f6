/** What one unit of work in the pool may use; the numbers are ours, found by trying hostile mappings. */
export const EXPRESSION_LIMITS = {
  /** Looked at by the evaluator between its steps. */
  evaluatorMs: 500,
  /** Looked at from outside; a thread past it is ended. */
  deadlineMs: 1_000,
  /** Calls within calls. */
  stackDepthMax: 500,
  /** Items in a list an expression makes. */
  sequenceMax: 100_000,
  /** Characters of one result. */
  outputCharsMax: 262_144,
  heapMb: 64,
} as const;

/** The end of a channel through which a thread says what it is about to do. */
export interface Announcements {
  postMessage(index: number): void;
  close(): void;
}

/** Expressions over one subject, evaluated one after the other. */
export interface ExpressionTask {
  readonly expressions: readonly string[];
  /** JSON text of the subject. */
  readonly subject: string;
  /** Receives the index of each expression just before it starts. */
  readonly started: Announcements;
}

/** A contract over one payload tree. */
export interface ContractTask {
  /** JSON text of the schema. */
  readonly schema: string;
  /** JSON text of the tree. */
  readonly tree: string;
  readonly started: Announcements;
}

/** One unit of work as it travels to the process that holds the threads. */
export type PoolUnit =
  | { readonly name: 'evaluate'; readonly task: Omit<ExpressionTask, 'started'> }
  | { readonly name: 'checkContract'; readonly task: Omit<ContractTask, 'started'> };

export interface UnitEnded {
  readonly ended: 'expression-deadline' | 'expression-memory';
  /** Index of the expression that was running. */
  readonly index: number;
}

/** What comes back from there: an answer, an end, or a fault that nobody expected. */
export type UnitReply = { readonly id: number } & (
  | { readonly kind: 'value'; readonly value: unknown }
  | ({ readonly kind: 'ended' } & UnitEnded)
  | { readonly kind: 'fault'; readonly message: string }
);

export type ExpressionResult =
  /** JSON text of the value; null when the expression yields nothing. */
  | { readonly ok: true; readonly json: string | null }
  | {
      readonly ok: false;
      readonly code:
        | 'expression-invalid'
        | 'expression-failed'
        | 'expression-deadline'
        | 'expression-memory'
        | 'expression-output';
      readonly detail: string;
    };

export interface ContractError {
  /** JSON Pointer into the tree. */
  readonly at: string;
  readonly detail: string;
}

export type ContractResult =
  | { readonly ok: true; readonly errors: readonly ContractError[] }
  | { readonly ok: false; readonly detail: string };
