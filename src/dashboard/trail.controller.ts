import { Controller, Get, Inject, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { signedInOf } from './signed-in.js';
import { renderTrailPage } from './trail.page.js';
import { TRAIL_FIELDS, type TrailQuery } from './trail-view.js';
import { DAY_VIEW_SOURCE, type DayViewSource } from './view-source.js';

/** The trail. Its filter is a form that asks this page again. */
@Controller()
export class TrailController {
  readonly #source: DayViewSource;

  constructor(@Inject(DAY_VIEW_SOURCE) source: DayViewSource) {
    this.#source = source;
  }

  @Get('/trail')
  @RequireRight('trail.read', { isForMachine: true })
  async trail(
    @Query() query: Readonly<Record<string, unknown>>,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const view = await this.#source.loadTrail(known(query));
    await reply
      .status(view.fault === null ? 200 : 400)
      .headers(FORM_PAGE_HEADERS)
      .send(renderTrailPage(view, signedInOf(request.caller)));
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
