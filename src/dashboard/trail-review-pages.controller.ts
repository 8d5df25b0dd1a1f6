import { Controller, Get, Inject, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { reviewProblem } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { readTrailReview } from '../statements/trail-review-request.js';
import { Clock } from '../storage/clock.js';
import type { NoticeView } from './account-view.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { refusedNotice, unreadNotice } from './signing-notice.js';
import { renderTrailReview } from './trail-review.page.js';
import { TRAIL_REVIEW_SOURCE, type TrailReviewSource } from './trail-review-source.js';

const SIGNED: NoticeView = {
  tone: 'good',
  title: 'Signed',
  text: 'The review stands below, and in the trail.',
};

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
    await this.#show(request, reply, 200, done === 'signed' ? SIGNED : null);
  }

  @Post()
  @RequireRight('trail.review')
  async sign(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    let asked: ReturnType<typeof readTrailReview>;
    try {
      asked = readTrailReview(Object.fromEntries(request.form ?? []));
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      const notice = unreadNotice(error.detail);
      await this.#show(request, reply, 422, notice);
      return;
    }
    const who = signerOf(request.caller, asked.userName, asked.password);
    const answer = await this.#reviews.sign(asked.review, who);
    if (answer.kind === 'signed') {
      await reply.status(303).header('location', '/trail/review?done=signed').send();
      return;
    }
    const problem =
      answer.kind === 'unknown'
        ? ({ code: 'signature-stale', detail: 'these entries were reviewed meanwhile' } as const)
        : reviewProblem(answer, '');
    if (problem === null) throw new Error('a problem was not told');
    const { status, notice } = refusedNotice(problem);
    await this.#show(request, reply, status, notice);
  }

  async #show(
    request: AuthenticatedRequest,
    reply: FastifyReply,
    status: number,
    notice: NoticeView | null,
  ): Promise<void> {
    const frame = this.site.frame(request.caller, this.clock.now());
    const list = await this.#reviews.list();
    const view = list.due === null ? null : await this.#reviews.show(list.due.last);
    const signer = await formSigner(request, 'trail.review', this.#reviews);
    const page = renderTrailReview({ list, view, frame, signer, notice });
    await reply.status(status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
