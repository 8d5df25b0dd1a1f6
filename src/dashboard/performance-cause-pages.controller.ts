import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readInvestigated, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { formSigner } from './form-signer.js';
import { performanceCausePath } from './instrument-path.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { renderPerformanceCause } from './performance-cause.page.js';
import {
  PERFORMANCE_CAUSE_SOURCE,
  type PerformanceCauseSource,
} from './performance-cause-source.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';

const ID_LENGTH_MAX = 100;

const SIGNED = signedSaid(
  'The cause is signed. It stands below, on the page of the instrument, and in the trail.',
);

/** Why a performance check failed: what it leaves in doubt, and the form that signs its cause. */
@Controller('/performance-checks')
export class PerformanceCausePagesController {
  readonly #causes: PerformanceCauseSource;

  constructor(
    @Inject(PERFORMANCE_CAUSE_SOURCE) causes: PerformanceCauseSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#causes = causes;
  }

  @Get(':id/cause')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, done === 'signed' ? SIGNED : NOTHING_SAID);
  }

  @Post(':id/cause')
  @RequireRight('result.review')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const rowId = id.slice(0, ID_LENGTH_MAX);
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const { investigated: cause, userName, password } = readInvestigated(fields);
        const who = signerOf(request.caller, userName, password);
        mustBeSigned(await this.#causes.sign(rowId, cause, who), rowId);
        return signedAt(performanceCausePath(rowId));
      },
      show: (said) => this.#show(id, request, reply, said),
    });
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
  ): Promise<void> {
    const view = id.length > ID_LENGTH_MAX ? null : await this.#causes.show(id);
    if (view === null) throw new Problem('not-found', 'no performance check has this id');
    const page = renderPerformanceCause({
      view,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'result.review', this.#causes),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
