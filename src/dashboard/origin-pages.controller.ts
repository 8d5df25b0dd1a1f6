import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { OriginView } from '../statements/origin-view.js';
import { readOriginReview } from '../statements/origin-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { renderOrigin } from './origin.page.js';
import { ORIGIN_SOURCE, type OriginSource } from './origin-source.js';
import { PageSite } from './page-site.js';
import { originPath } from './receipt-path.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedHere(
  'What it came from is answered for. The signature stands below, in the trail, and in the statement.',
  (view: OriginView) => view.signatures,
);

/** What the containers of a receipt came from, and the form that answers for it. */
@Controller('/receipts')
export class OriginPagesController {
  readonly #origins: OriginSource;
  readonly #pages: SignedPages;

  constructor(@Inject(ORIGIN_SOURCE) origins: OriginSource, site: PageSite, clock: Clock) {
    this.#origins = origins;
    this.#pages = new SignedPages(site, clock);
  }

  @Get(':id/origin')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.show(this.#page(id), { request, reply }, done);
  }

  @Post(':id/origin')
  @RequireRight('receipt.manage')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    await this.#pages.sign(this.#page(id), { request, reply }, async (fields) => {
      const asked = readOriginReview(fields);
      const who = signerOf(request.caller, asked.userName, asked.password);
      const answer = await this.#origins.sign(receiptId, asked.request, who);
      mustBeSigned(answer, receiptId, 'receipt');
      return signedAt(originPath(receiptId), answer.signature);
    });
  }

  #page(id: string): SignedPage<OriginView> {
    return {
      load: async () => (id.length > RECEIPT_ID_LENGTH_MAX ? null : this.#origins.show(id)),
      missing: 'nobody announced a receipt of this id',
      right: 'receipt.manage',
      signing: this.#origins,
      arrived: SIGNED,
      render: renderOrigin,
    };
  }
}
