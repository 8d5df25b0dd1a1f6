import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { renderBundleReview } from './bundle-review.page.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { bundleReviewPath } from './review-path.js';
import { BUNDLE_REVIEW_SOURCE, type BundleReviewSource } from './review-source.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';

const ID_LENGTH_MAX = 100;

const SIGNED = signedSaid('The bundle is refused. The signature stands below, and in the trail.');

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
    await this.#show(id, request, reply, done === 'signed' ? SIGNED : NOTHING_SAID);
  }

  @Post(':id')
  @RequireRight('result.review')
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
        const who = signerOf(request.caller, asked.userName, asked.password);
        mustBeSigned(await this.#bundles.refuse(id, asked, who), id, 'bundle');
        return signedAt(bundleReviewPath(id));
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
    const view = id.length > ID_LENGTH_MAX ? null : await this.#bundles.show(id);
    if (view === null) throw new Problem('not-found', 'no bundle has this id');
    const frame = this.site.frame(request.caller, this.clock.now());
    const signer = await formSigner(request, 'result.review', this.#bundles);
    const page = renderBundleReview(view, frame, signer, said);
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
