/** What a story is told of. A result tells its own only while it belongs to no receipt. */
export type TracedKind = 'receipt' | 'bundle' | 'result' | 'period';

/** What a term stands for. */
export interface TraceCandidate {
  readonly kind: TracedKind;
  /** Receipt id, or the row id of a bundle, result or period. */
  readonly id: string;
  /** What people call it. */
  readonly name: string;
  /** Why it is one: the column in which the term stands. */
  readonly by: string;
}

/** One thing that happened, in the order in which it did. */
export interface TraceEvent {
  /** RFC 3339 in UTC. */
  readonly at: string;
  readonly kind: string;
  readonly id: string;
  readonly what: string;
}

/** Everything that is kept of one thing, and what else its story is told in. */
export interface TraceStory {
  readonly of: TraceCandidate;
  readonly events: readonly TraceEvent[];
  /** The other way: bundles of a receipt, receipts and unowned results of a bundle, the bundle of a result. */
  readonly related: readonly TraceCandidate[];
  /** True when there is more of one kind than is read. */
  readonly isCut: boolean;
}

export interface Trace {
  readonly term: string;
  readonly candidates: readonly TraceCandidate[];
  /** null while the term stands for nothing, or for several and none was chosen. */
  readonly story: TraceStory | null;
}
