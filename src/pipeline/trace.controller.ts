import { Controller, Get, Query } from '@nestjs/common';
import { RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { TraceService } from './trace.service.js';

const TERM_MAX = 200;
const LIMIT_MAX = 200;

/** From any name of a thing to its whole story. */
@Controller('api/v1/trace')
export class TraceController {
  constructor(private readonly tracing: TraceService) {}

  /**
   * One candidate, or the one that `as` names as `kind:id`: its story, `limit` events from `from` on. Several, or
   * none: the candidates.
   */
  @Get()
  @RequireRight('pages.read')
  async trace(
    @Query('term') term: string | undefined,
    @Query('from') from: string | undefined,
    @Query('limit') limit: string | undefined,
    @Query('as') as: string | undefined,
  ): Promise<unknown> {
    if (typeof term !== 'string' || term === '' || term.length > TERM_MAX) {
      throw new Problem('query-invalid', `term: expected 1 to ${TERM_MAX} characters`);
    }
    const start = whole('from', from, 0, Number.MAX_SAFE_INTEGER);
    const count = whole('limit', limit, LIMIT_MAX, LIMIT_MAX);
    const { candidates, story } = await this.tracing.trace(term, as ?? null);
    const events = story?.events ?? [];
    const end = start + count;
    return {
      term,
      candidates,
      of: story?.of ?? null,
      related: story?.related ?? [],
      isCut: story?.isCut ?? false,
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
