import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readInvestigated, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { renderCause } from './cause.page.js';
import { CAUSE_SOURCE, type CauseSource } from './cause-source.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { causePath } from './review-path.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';

const ID_LENGTH_MAX = 100;

const SIGNED = signedSaid(
  'The cause is signed. It stands below, in the trail, and in the statement.',
);

/** The cause of a contrary result: the series of its container, and the form that signs it. */
@Controller('/review')
export class CausePagesController {
  readonly #causes: CauseSource;

  constructor(
    @Inject(CAUSE_SOURCE) causes: CauseSource,
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
        return signedAt(causePath(rowId));
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
    if (view === null) throw new Problem('not-found', 'no result has this id');
    const page = renderCause({
      view,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'result.review', this.#causes),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
