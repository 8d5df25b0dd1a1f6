import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { readContainerLabel, readRejection } from '../statements/container-rejection-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { rejectionPath } from './receipt-path.js';
import { renderRejection } from './rejection.page.js';
import { REJECTION_SOURCE, type RejectionSource } from './rejection-source.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedSaid } from './signed-form.js';

const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedSaid(
  'The container is rejected. The signature stands below, in the trail, and in the statement.',
);

/** A container of a receipt before it is rejected, and the form that rejects it. */
@Controller('/receipts')
export class RejectionPagesController {
  readonly #rejections: RejectionSource;

  constructor(
    @Inject(REJECTION_SOURCE) rejections: RejectionSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#rejections = rejections;
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
    await this.#show(id, container, request, reply, done === 'signed' ? SIGNED : NOTHING_SAID);
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
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const asked = readRejection({ ...fields, container });
        const who = signerOf(request.caller, asked.userName, asked.password);
        const answer = await this.#rejections.reject(receiptId, asked.request, who);
        mustBeSigned(answer, receiptId, 'receipt');
        return `${rejectionPath(receiptId, asked.request.container)}&done=signed`;
      },
      show: (said) => this.#show(id, container, request, reply, said),
    });
  }

  async #show(
    id: string,
    container: string | undefined,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
  ): Promise<void> {
    const label = readContainerLabel(container);
    const view = id.length > RECEIPT_ID_LENGTH_MAX ? null : await this.#rejections.show(id, label);
    if (view === null) throw new Problem('not-found', 'no receipt lists this container');
    const page = renderRejection({
      view,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'receipt.manage', this.#rejections),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
