/** Whether an act is open, why not, and what it would do, in words. */
export interface ReviewOption {
  readonly possible: boolean;
  readonly because: readonly string[];
  readonly effects: readonly string[];
}
