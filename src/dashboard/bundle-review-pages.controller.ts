import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { BundleReviewView } from '../statements/bundle-review-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { renderBundleReview } from './bundle-review.page.js';
import { PageSite } from './page-site.js';
import { bundleReviewPath } from './review-path.js';
import { BUNDLE_REVIEW_SOURCE, type BundleReviewSource } from './review-source.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const ID_LENGTH_MAX = 100;

const SIGNED = signedHere(
  'The bundle is refused. The signature stands below, and in the trail.',
  (view: BundleReviewView) => view.signatures,
);

/** One held bundle with what refusing it does, and the form that signs. */
@Controller('/review/bundles')
export class BundleReviewPagesController {
  readonly #bundles: BundleReviewSource;
  readonly #pages: SignedPages;

  constructor(
    @Inject(BUNDLE_REVIEW_SOURCE) bundles: BundleReviewSource,
    site: PageSite,
    clock: Clock,
  ) {
    this.#bundles = bundles;
    this.#pages = new SignedPages(site, clock);
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
      const asked = readSignedText(fields, 'reason', REASON_MAX);
      const who = signerOf(request.caller, asked.userName, asked.password);
      const answer = await this.#bundles.refuse(id, asked, who);
      mustBeSigned(answer, id, 'bundle');
      return signedAt(bundleReviewPath(id), answer.signature);
    });
  }

  #page(id: string): SignedPage<BundleReviewView> {
    return {
      load: async () => (id.length > ID_LENGTH_MAX ? null : this.#bundles.show(id)),
      missing: 'no bundle has this id',
      right: 'result.review',
      signing: this.#bundles,
      arrived: SIGNED,
      render: renderBundleReview,
    };
  }
}
