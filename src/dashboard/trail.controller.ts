import { Controller, Get, Header, Inject, Query, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { RequireScope } from '../access/api-key.guard.js';
import { PAGE_POLICY } from './dashboard.controller.js';
import { renderTrailPage } from './trail.page.js';
import { TRAIL_FIELDS, type TrailQuery } from './trail-view.js';
import { DAY_VIEW_SOURCE, type DayViewSource } from './view-source.js';

/** The filter is a form that asks this page again; it may go nowhere else. */
const TRAIL_POLICY = PAGE_POLICY.replace("form-action 'none'", "form-action 'self'");

@Controller()
export class TrailController {
  readonly #source: DayViewSource;

  constructor(@Inject(DAY_VIEW_SOURCE) source: DayViewSource) {
    this.#source = source;
  }

  @Get('/trail')
  @RequireScope('pages')
  @Header('content-type', 'text/html; charset=utf-8')
  @Header('content-security-policy', TRAIL_POLICY)
  @Header('cache-control', 'no-store')
  @Header('x-content-type-options', 'nosniff')
  @Header('referrer-policy', 'same-origin')
  async trail(
    @Query() query: Readonly<Record<string, unknown>>,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<string> {
    const view = await this.#source.loadTrail(known(query));
    if (view.fault !== null) reply.status(400);
    return renderTrailPage(view);
  }
}

/** Fields of the form that were sent once, as text. */
function known(query: Readonly<Record<string, unknown>>): TrailQuery {
  const names = [...TRAIL_FIELDS, 'behind'] as const;
  return Object.fromEntries(
    names.flatMap((name) => {
      const value = query[name];
      return typeof value === 'string' && value !== '' ? [[name, value] as const] : [];
    }),
  );
}
