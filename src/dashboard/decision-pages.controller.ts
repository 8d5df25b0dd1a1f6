import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import type { SiteDecisionView } from '../statements/site-decision-view.js';
import { Clock } from '../storage/clock.js';
import { DECISION_SOURCE, type DecisionSource, decisionPath } from './decision-source.js';
import { renderDecision, renderDecisions } from './decisions.page.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const SIGNED = signedHere(
  'The signature stands below, in the trail, and in every statement that rests on it.',
  ({ state, signature }: SiteDecisionView) =>
    state !== 'signed' || signature === null ? [] : [signature],
);

/** Decisions of the site: how they stand, what rests on each, and the form that signs one. */
@Controller('/decisions')
export class DecisionPagesController {
  readonly #decisions: DecisionSource;
  readonly #pages: SignedPages;

  constructor(
    @Inject(DECISION_SOURCE) decisions: DecisionSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#decisions = decisions;
    this.#pages = new SignedPages(site, clock);
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
    await this.#pages.show(this.#page(id), { request, reply }, done);
  }

  @Post(':id')
  @RequireRight('decision.sign')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.sign(this.#page(id), { request, reply }, async (fields) => {
      const asked = readSignedText(fields, 'reason', REASON_MAX);
      const { shownSha256, text: reason, userName, password } = asked;
      const who = signerOf(request.caller, userName, password);
      const answer = await this.#decisions.sign(id, { shownSha256, reason }, who);
      mustBeSigned(answer, id, 'decision');
      return signedAt(decisionPath(id), answer.signature);
    });
  }

  #page(id: string): SignedPage<SiteDecisionView> {
    return {
      load: async () => this.#decisions.show(id),
      missing: 'the site has no such decision',
      right: 'decision.sign',
      signing: this.#decisions,
      arrived: SIGNED,
      render: renderDecision,
    };
  }
}
