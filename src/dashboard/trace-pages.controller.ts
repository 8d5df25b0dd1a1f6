import { Controller, Get, Inject, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Clock } from '../storage/clock.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { renderTrace } from './trace.page.js';
import { TRACE_SOURCE, type TraceSource } from './trace-source.js';

const TERM_MAX = 200;
/** Kind and id of a candidate. */
const CHOSEN_MAX = 300;
/** Events of one page. */
const EVENTS_SHOWN = 500;

/** From any name of a thing to its whole story. */
@Controller('/trace')
export class TracePagesController {
  readonly #tracing: TraceSource;

  constructor(
    @Inject(TRACE_SOURCE) tracing: TraceSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#tracing = tracing;
  }

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Query('term') asked: string | undefined,
    @Query('as') chosen: string | undefined,
    @Query('from') from: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const term = (typeof asked === 'string' ? asked : '').trim().slice(0, TERM_MAX);
    const as = typeof chosen === 'string' ? chosen.slice(0, CHOSEN_MAX) : null;
    const trace = term === '' ? null : await this.#tracing.trace(term, as);
    const start = /^\d{1,9}$/.test(from ?? '') ? Number(from) : 0;
    const page = renderTrace({
      trace,
      start,
      shown: EVENTS_SHOWN,
      frame: this.site.frame(request.caller, this.clock.now()),
    });
    await reply.headers(FORM_PAGE_HEADERS).send(page);
  }
}
