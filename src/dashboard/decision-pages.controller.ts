import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { DECISION_SOURCE, type DecisionSource, decisionPath } from './decision-source.js';
import { renderDecision, renderDecisions } from './decisions.page.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';

const SIGNED = signedSaid(
  'The signature stands below, in the trail, and in every statement that rests on it.',
);

/** Decisions of the site: how they stand, what rests on each, and the form that signs one. */
@Controller('/decisions')
export class DecisionPagesController {
  readonly #decisions: DecisionSource;

  constructor(
    @Inject(DECISION_SOURCE) decisions: DecisionSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#decisions = decisions;
  }

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const frame = this.site.frame(request.caller, this.clock.now());
    const page = renderDecisions(await this.#decisions.list(), frame);
    await reply.headers(FORM_PAGE_HEADERS).send(page);
  }

  @Get(':id')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, done === 'signed' ? SIGNED : NOTHING_SAID);
  }

  @Post(':id')
  @RequireRight('decision.sign')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const asked = readSignedText(fields, 'reason', REASON_MAX);
        const { shownSha256, text: reason, userName, password } = asked;
        const who = signerOf(request.caller, userName, password);
        mustBeSigned(await this.#decisions.sign(id, { shownSha256, reason }, who), id, 'decision');
        return signedAt(decisionPath(id));
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
    const view = await this.#decisions.show(id);
    if (view === null) throw new Problem('not-found', 'the site has no such decision');
    const page = renderDecision({
      view,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'decision.sign', this.#decisions),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
