import { Controller, Get, Inject, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { readTrailReview } from '../statements/trail-review-request.js';
import { Clock } from '../storage/clock.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';
import { renderTrailReview } from './trail-review.page.js';
import { TRAIL_REVIEW_SOURCE, type TrailReviewSource } from './trail-review-source.js';

const SIGNED = signedSaid('The review stands below, and in the trail.');

/** The periodic review of the trail: what is due, the form that signs it, and what was signed before. */
@Controller('/trail/review')
export class TrailReviewPagesController {
  readonly #reviews: TrailReviewSource;

  constructor(
    @Inject(TRAIL_REVIEW_SOURCE) reviews: TrailReviewSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#reviews = reviews;
  }

  @Get()
  @RequireRight('trail.read', { isForMachine: true })
  async page(
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(request, reply, done === 'signed' ? SIGNED : NOTHING_SAID);
  }

  @Post()
  @RequireRight('trail.review')
  async sign(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const { review, userName, password } = readTrailReview(fields);
        const who = signerOf(request.caller, userName, password);
        const answer = await this.#reviews.sign(review, who);
        if (answer.kind === 'unknown') {
          throw new Problem('signature-stale', 'these entries were reviewed meanwhile');
        }
        mustBeSigned(answer, '');
        return signedAt('/trail/review');
      },
      show: (said) => this.#show(request, reply, said),
    });
  }

  async #show(request: AuthenticatedRequest, reply: FastifyReply, said: Said): Promise<void> {
    const frame = this.site.frame(request.caller, this.clock.now());
    const list = await this.#reviews.list();
    const view = list.due === null ? null : await this.#reviews.show(list.due.last);
    const signer = await formSigner(request, 'trail.review', this.#reviews);
    const page = renderTrailReview({ list, view, frame, signer, said });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
