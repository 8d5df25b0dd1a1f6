export type FindingSeverity = 'hold' | 'remark';

/** One thing a rule found, at one place. */
export interface Finding {
  /** Stable code, listed in docs/checks.md. */
  readonly code: string;
  readonly severity: FindingSeverity;
  /** JSON Pointer into the bundle; '' is the whole document. */
  readonly pointer: string;
  /** Found against expected, with the numbers. */
  readonly message: string;
  /** What to do about it. */
  readonly advice: string;
  /** By name. `limit` is what was held against, `limitSource` where the site has it from. */
  readonly numbers?: Readonly<Record<string, string>>;
}
