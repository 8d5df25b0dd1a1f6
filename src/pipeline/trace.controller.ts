import { Controller, Get, Query } from '@nestjs/common';
import { GatewaySite, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { OpenDatabase } from '../storage/database.js';
import { traceCandidates, traceEvents } from './trace.store.js';

const TERM_MAX = 200;
const LIMIT_MAX = 200;

/** From any name of a thing to its whole story. */
@Controller('api/v1/trace')
export class TraceController {
  constructor(
    private readonly database: OpenDatabase,
    private readonly gateway: GatewaySite,
  ) {}

  /** One candidate: its story, `limit` events from `from` on. Several, or none: the candidates. */
  @Get()
  @RequireRight('pages.read')
  async trace(
    @Query('term') term: string | undefined,
    @Query('from') from: string | undefined,
    @Query('limit') limit: string | undefined,
  ): Promise<unknown> {
    if (typeof term !== 'string' || term === '' || term.length > TERM_MAX) {
      throw new Problem('query-invalid', `term: expected 1 to ${TERM_MAX} characters`);
    }
    const start = whole('from', from, 0, Number.MAX_SAFE_INTEGER);
    const count = whole('limit', limit, LIMIT_MAX, LIMIT_MAX);
    const { db } = this.database;
    const { site } = this.gateway;
    const candidates = await traceCandidates(db, site, term);
    const [only, ...others] = candidates;
    if (only === undefined || others.length > 0) {
      return { term, candidates, events: [], total: 0, next: null };
    }
    const events = await traceEvents(db, site, only);
    const end = start + count;
    return {
      term,
      candidates,
      events: events.slice(start, end),
      total: events.length,
      next: end < events.length ? end : null,
    };
  }
}

function whole(name: string, text: string | undefined, otherwise: number, max: number): number {
  const value = text === undefined ? otherwise : Number(text);
  if (Number.isSafeInteger(value) && value >= 0 && value <= max && text !== '') return value;
  throw new Problem('query-invalid', `${name}: expected a whole number up to ${max}`);
}
