import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { reviewProblem } from '../statements/review-answer.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import type { NoticeView } from './account-view.js';
import { renderBundleReview } from './bundle-review.page.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { bundleReviewPath } from './review-path.js';
import { BUNDLE_REVIEW_SOURCE, type BundleReviewSource } from './review-source.js';
import { refusedNotice, unreadNotice } from './signing-notice.js';

const ID_LENGTH_MAX = 100;

const SIGNED: NoticeView = {
  tone: 'good',
  title: 'Signed',
  text: 'The bundle is refused. The signature stands below, and in the trail.',
};

/** One held bundle with what refusing it does, and the form that signs. */
@Controller('/review/bundles')
export class BundleReviewPagesController {
  readonly #bundles: BundleReviewSource;

  constructor(
    @Inject(BUNDLE_REVIEW_SOURCE) bundles: BundleReviewSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#bundles = bundles;
  }

  @Get(':id')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, 200, done === 'signed' ? SIGNED : null);
  }

  @Post(':id')
  @RequireRight('result.review')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    let asked: ReturnType<typeof readSignedText>;
    try {
      asked = readSignedText(Object.fromEntries(request.form ?? []), 'reason', REASON_MAX);
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      const notice = unreadNotice(error.detail);
      await this.#show(id, request, reply, 422, notice);
      return;
    }
    const who = signerOf(request.caller, asked.userName, asked.password);
    const problem = reviewProblem(await this.#bundles.refuse(id, asked, who), id);
    if (problem === null) {
      await reply
        .status(303)
        .header('location', `${bundleReviewPath(id)}?done=signed`)
        .send();
      return;
    }
    const { status, notice } = refusedNotice(problem);
    await this.#show(id, request, reply, status, notice);
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    status: number,
    notice: NoticeView | null,
  ): Promise<void> {
    const view = id.length > ID_LENGTH_MAX ? null : await this.#bundles.show(id);
    if (view === null) throw new Problem('not-found', 'no bundle has this id');
    const frame = this.site.frame(request.caller, this.clock.now());
    const signer = await formSigner(request, 'result.review', this.#bundles);
    const page = renderBundleReview(view, frame, signer, notice);
    await reply.status(status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
