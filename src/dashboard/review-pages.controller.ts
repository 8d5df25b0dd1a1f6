import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readReview, signerOf } from '../statements/review-request.js';
import type { ReviewView } from '../statements/review-view.js';
import { Clock } from '../storage/clock.js';
import { HELD_SHOWN_MAX } from './held-bundles.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { renderReview, renderReviewList } from './review.page.js';
import { reviewPath } from './review-path.js';
import {
  BUNDLE_REVIEW_SOURCE,
  type BundleReviewSource,
  REVIEW_SOURCE,
  type ReviewSource,
} from './review-source.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const LIST_MAX = 100;
const ID_LENGTH_MAX = 100;

const SIGNED = signedHere(
  'The signature stands below, and in the trail.',
  (view: ReviewView) => view.signatures,
);

/** Held results: the list, one with everything that bears on it, and the form that signs. */
@Controller('/review')
export class ReviewPagesController {
  readonly #reviews: ReviewSource;
  readonly #pages: SignedPages;
  readonly #bundles: BundleReviewSource;

  constructor(
    @Inject(REVIEW_SOURCE) reviews: ReviewSource,
    @Inject(BUNDLE_REVIEW_SOURCE) bundles: BundleReviewSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#reviews = reviews;
    this.#bundles = bundles;
    this.#pages = new SignedPages(site, clock);
  }

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(
    @Query('after') after: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const list = await this.#reviews.list((after ?? '').slice(0, ID_LENGTH_MAX), LIST_MAX);
    // One more than the page shows says whether there are more.
    const bundles = await this.#bundles.list(HELD_SHOWN_MAX + 1);
    await reply
      .headers(FORM_PAGE_HEADERS)
      .send(renderReviewList(list, bundles, this.site.frame(request.caller, this.clock.now())));
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
  @RequireRight('result.review')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.sign(this.#page(id), { request, reply }, async (fields) => {
      const { review, userName, password } = readReview(fields);
      const who = signerOf(request.caller, userName, password);
      const answer = await this.#reviews.decide(id, review, who);
      mustBeSigned(answer, id);
      return signedAt(reviewPath(id), answer.signature);
    });
  }

  #page(id: string): SignedPage<ReviewView> {
    return {
      load: async () => (id.length > ID_LENGTH_MAX ? null : this.#reviews.show(id)),
      missing: 'no result has this id',
      right: 'result.review',
      signing: this.#reviews,
      arrived: SIGNED,
      render: renderReview,
    };
  }
}
