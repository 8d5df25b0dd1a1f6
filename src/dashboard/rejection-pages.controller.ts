import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { RejectionView } from '../statements/container-rejection-view.js';
import { readContainerLabel, readRejection } from '../statements/container-rejection-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { PageSite } from './page-site.js';
import { rejectionPath } from './receipt-path.js';
import { renderRejection } from './rejection.page.js';
import { REJECTION_SOURCE, type RejectionSource } from './rejection-source.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedHere(
  'The container is rejected. The signature stands below, in the trail, and in the statement.',
  (view: RejectionView) => view.signatures,
);

/** A container of a receipt before it is rejected, and the form that rejects it. */
@Controller('/receipts')
export class RejectionPagesController {
  readonly #rejections: RejectionSource;
  readonly #pages: SignedPages;

  constructor(@Inject(REJECTION_SOURCE) rejections: RejectionSource, site: PageSite, clock: Clock) {
    this.#rejections = rejections;
    this.#pages = new SignedPages(site, clock);
  }

  @Get(':id/rejection')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('container') container: string | undefined,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.show(this.#page(id, container), { request, reply }, done);
  }

  @Post(':id/rejection')
  @RequireRight('receipt.manage')
  async reject(
    @Param('id') id: string,
    @Query('container') container: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    await this.#pages.sign(this.#page(id, container), { request, reply }, async (fields) => {
      const asked = readRejection({ ...fields, container });
      const who = signerOf(request.caller, asked.userName, asked.password);
      const answer = await this.#rejections.reject(receiptId, asked.request, who);
      mustBeSigned(answer, receiptId, 'receipt');
      return signedAt(rejectionPath(receiptId, asked.request.container), answer.signature);
    });
  }

  #page(id: string, container: string | undefined): SignedPage<RejectionView> {
    return {
      load: async () => {
        const label = readContainerLabel(container);
        return id.length > RECEIPT_ID_LENGTH_MAX ? null : this.#rejections.show(id, label);
      },
      missing: 'no receipt lists this container',
      right: 'receipt.manage',
      signing: this.#rejections,
      arrived: SIGNED,
      render: renderRejection,
    };
  }
}
