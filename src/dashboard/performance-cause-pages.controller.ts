import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { PerformanceCauseView } from '../statements/performance-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readInvestigated, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { performanceCausePath } from './instrument-path.js';
import { PageSite } from './page-site.js';
import { renderPerformanceCause } from './performance-cause.page.js';
import {
  PERFORMANCE_CAUSE_SOURCE,
  type PerformanceCauseSource,
} from './performance-cause-source.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const ID_LENGTH_MAX = 100;

const SIGNED = signedHere(
  'The cause is signed. It stands below, on the page of the instrument, and in the trail.',
  (view: PerformanceCauseView) => view.signatures,
);

/** Why a performance check failed: what it leaves in doubt, and the form that signs its cause. */
@Controller('/performance-checks')
export class PerformanceCausePagesController {
  readonly #causes: PerformanceCauseSource;
  readonly #pages: SignedPages;

  constructor(
    @Inject(PERFORMANCE_CAUSE_SOURCE) causes: PerformanceCauseSource,
    site: PageSite,
    clock: Clock,
  ) {
    this.#causes = causes;
    this.#pages = new SignedPages(site, clock);
  }

  @Get(':id/cause')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.show(this.#page(id), { request, reply }, done);
  }

  @Post(':id/cause')
  @RequireRight('result.review')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const rowId = id.slice(0, ID_LENGTH_MAX);
    await this.#pages.sign(this.#page(id), { request, reply }, async (fields) => {
      const { investigated: cause, userName, password } = readInvestigated(fields);
      const who = signerOf(request.caller, userName, password);
      const answer = await this.#causes.sign(rowId, cause, who);
      mustBeSigned(answer, rowId);
      return signedAt(performanceCausePath(rowId), answer.signature);
    });
  }

  #page(id: string): SignedPage<PerformanceCauseView> {
    return {
      load: async () => (id.length > ID_LENGTH_MAX ? null : this.#causes.show(id)),
      missing: 'no performance check has this id',
      right: 'result.review',
      signing: this.#causes,
      arrived: SIGNED,
      render: renderPerformanceCause,
    };
  }
}
