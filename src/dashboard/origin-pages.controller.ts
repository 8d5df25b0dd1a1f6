import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { readOriginReview } from '../statements/origin-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { formSigner } from './form-signer.js';
import { renderOrigin } from './origin.page.js';
import { ORIGIN_SOURCE, type OriginSource } from './origin-source.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { originPath } from './receipt-path.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';

const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedSaid(
  'What it came from is answered for. The signature stands below, in the trail, and in the statement.',
);

/** What the containers of a receipt came from, and the form that answers for it. */
@Controller('/receipts')
export class OriginPagesController {
  readonly #origins: OriginSource;

  constructor(
    @Inject(ORIGIN_SOURCE) origins: OriginSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#origins = origins;
  }

  @Get(':id/origin')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, done === 'signed' ? SIGNED : NOTHING_SAID);
  }

  @Post(':id/origin')
  @RequireRight('receipt.manage')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const asked = readOriginReview(fields);
        const who = signerOf(request.caller, asked.userName, asked.password);
        mustBeSigned(await this.#origins.sign(receiptId, asked.request, who), receiptId, 'receipt');
        return signedAt(originPath(receiptId));
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
    const view = id.length > RECEIPT_ID_LENGTH_MAX ? null : await this.#origins.show(id);
    if (view === null) throw new Problem('not-found', 'nobody announced a receipt of this id');
    const page = renderOrigin({
      view,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'receipt.manage', this.#origins),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
