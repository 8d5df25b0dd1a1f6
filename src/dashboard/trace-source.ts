import type { Trace } from '../statements/trace-view.js';

/** Injection token of the `TraceSource` the application binds. */
export const TRACE_SOURCE = Symbol('TRACE_SOURCE');

export interface TraceSource {
  /** @param chosen `kind:id` of one of several candidates; null for none */
  trace(term: string, chosen: string | null): Promise<Trace>;
}
