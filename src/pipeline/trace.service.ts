import type { Trace, TraceCandidate, TraceStory } from '../statements/trace-view.js';
import type { OpenDatabase } from '../storage/database.js';
import { TRACE_ROWS_MAX, traceEvents } from './trace.store.js';
import { relatedTo, traceCandidates } from './trace-candidates.store.js';

/** From any name of a thing to its whole story. */
export class TraceService {
  constructor(
    private readonly database: OpenDatabase,
    private readonly site: string,
  ) {}

  /**
   * The story of what a term stands for, when that is one thing.
   *
   * @param chosen `kind:id` of one of several candidates; null for none
   */
  async trace(term: string, chosen: string | null): Promise<Trace> {
    const { db } = this.database;
    const candidates = await traceCandidates(db, this.site, term);
    const only = candidates.length === 1 ? candidates[0] : undefined;
    const of = chosen === null ? only : candidates.find((c) => `${c.kind}:${c.id}` === chosen);
    return { term, candidates, story: of === undefined ? null : await this.#story(of) };
  }

  async #story(of: TraceCandidate): Promise<TraceStory> {
    const { db } = this.database;
    const events = await traceEvents(db, this.site, of);
    const counts = new Map<string, number>();
    for (const { kind } of events) counts.set(kind, (counts.get(kind) ?? 0) + 1);
    return {
      of,
      events,
      related: await relatedTo(db, this.site, of),
      isCut: [...counts.values()].some((n) => n >= TRACE_ROWS_MAX),
    };
  }
}
