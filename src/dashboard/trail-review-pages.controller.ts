import { Controller, Get, Inject, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { readTrailReview } from '../statements/trail-review-request.js';
import type { TrailReviewList, TrailReviewView } from '../statements/trail-review-view.js';
import { Clock } from '../storage/clock.js';
import { PageSite } from './page-site.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';
import { renderTrailReview } from './trail-review.page.js';
import { TRAIL_REVIEW_SOURCE, type TrailReviewSource } from './trail-review-source.js';

interface Shown {
  readonly list: TrailReviewList;
  /** null when nothing is due. */
  readonly due: TrailReviewView | null;
}

const SIGNED = signedHere(
  'The review stands below, and in the trail.',
  ({ list }: Shown) => list.reviews,
);

/** The periodic review of the trail: what is due, the form that signs it, and what was signed before. */
@Controller('/trail/review')
export class TrailReviewPagesController {
  readonly #reviews: TrailReviewSource;
  readonly #pages: SignedPages;

  constructor(
    @Inject(TRAIL_REVIEW_SOURCE) reviews: TrailReviewSource,
    site: PageSite,
    clock: Clock,
  ) {
    this.#reviews = reviews;
    this.#pages = new SignedPages(site, clock);
  }

  @Get()
  @RequireRight('trail.read', { isForMachine: true })
  async page(
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.show(this.#page(), { request, reply }, done);
  }

  @Post()
  @RequireRight('trail.review')
  async sign(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    await this.#pages.sign(this.#page(), { request, reply }, async (fields) => {
      const { review, userName, password } = readTrailReview(fields);
      const who = signerOf(request.caller, userName, password);
      const answer = await this.#reviews.sign(review, who);
      if (answer.kind === 'unknown') {
        throw new Problem('signature-stale', 'these entries were reviewed meanwhile');
      }
      mustBeSigned(answer, '');
      return signedAt('/trail/review', answer.signature);
    });
  }

  #page(): SignedPage<Shown> {
    return {
      load: async () => {
        const list = await this.#reviews.list();
        const due = list.due === null ? null : await this.#reviews.show(list.due.last);
        return { list, due };
      },
      missing: 'the trail has no reviews',
      right: 'trail.review',
      signing: this.#reviews,
      arrived: SIGNED,
      render: ({ view: { list, due }, ...shown }) =>
        renderTrailReview({ ...shown, list, view: due }),
    };
  }
}
