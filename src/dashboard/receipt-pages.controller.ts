import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { ERRORS } from '../error-registry.js';
import { Problem } from '../problem-details.js';
import { RECEIPT_REVIEW_ACTS } from '../statements/receipt-review.js';
import { reviewProblem } from '../statements/review-answer.js';
import { readSigned, signerOf } from '../statements/review-request.js';
import type { NoticeView } from './account-view.js';
import { renderUnknownReceipt } from './message.page.js';
import { FORM_PAGE_HEADERS, PAGE_HEADERS } from './page-policy.js';
import { renderReceiptPage } from './receipt.page.js';
import { receiptPath } from './receipt-path.js';
import { RECEIPT_REVIEW_SOURCE, type ReceiptReviewSource } from './receipt-review-source.js';
import type { ReviewSigner } from './review-form.js';
import { signedInOf } from './signed-in.js';
import { DAY_VIEW_SOURCE, type DayViewSource } from './view-source.js';

const HTML = 'text/html; charset=utf-8';

/** Longer ids belong to no receipt; nothing that long is echoed. */
const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED: NoticeView = {
  tone: 'good',
  title: 'Signed',
  text: 'The signature stands below, and in the trail.',
};

/** The page of one receipt line, and the form on it that its second person signs by. */
@Controller('/receipts')
export class ReceiptPagesController {
  readonly #source: DayViewSource;
  readonly #reviews: ReceiptReviewSource;

  constructor(
    @Inject(DAY_VIEW_SOURCE) source: DayViewSource,
    @Inject(RECEIPT_REVIEW_SOURCE) reviews: ReceiptReviewSource,
  ) {
    this.#source = source;
    this.#reviews = reviews;
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

  @Post(':id/review')
  @RequireRight('result.review')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const fields = Object.fromEntries(request.form ?? []);
    let asked: ReturnType<typeof readSigned<'sign' | 'refuse'>>;
    try {
      asked = readSigned(fields, RECEIPT_REVIEW_ACTS);
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      const notice = { tone: 'bad', title: 'Nothing was signed', text: error.detail } as const;
      await this.#show(id, request, reply, 422, notice);
      return;
    }
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    const who = signerOf(request.caller, asked.userName, asked.password);
    const answer = await this.#reviews.decide(receiptId, asked.review, who);
    const problem = reviewProblem(answer, receiptId, 'receipt');
    if (problem === null) {
      const location = `${receiptPath(receiptId)}?done=signed`;
      await reply.status(303).header('location', location).send();
      return;
    }
    const { meaning, remedy, status } = ERRORS[problem.code];
    const text = `${problem.detail}. ${remedy}`;
    const notice = { tone: 'bad', title: meaning.replace(/\.$/, ''), text } as const;
    await this.#show(id, request, reply, status ?? 409, notice);
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    status: number,
    notice: NoticeView | null,
  ): Promise<void> {
    const view = id.length > RECEIPT_ID_LENGTH_MAX ? null : await this.#source.loadReceipt(id);
    const signedIn = signedInOf(request.caller);
    if (view === null) {
      const page = renderUnknownReceipt(id.slice(0, RECEIPT_ID_LENGTH_MAX), signedIn);
      const headers = { ...PAGE_HEADERS, 'content-type': HTML };
      await reply.status(404).headers(headers).send(page);
      return;
    }
    const review = await this.#reviews.show(id);
    const signer = await this.#signer(request);
    const page = renderReceiptPage(view, signedIn, { review, signer, notice });
    const headers = signer === null ? { ...PAGE_HEADERS, 'content-type': HTML } : FORM_PAGE_HEADERS;
    await reply.status(status).headers(headers).send(page);
  }

  async #signer({ caller, formToken }: AuthenticatedRequest): Promise<ReviewSigner | null> {
    if (caller?.kind !== 'person' || formToken === null) return null;
    if (!caller.rights.has('result.review') || !caller.rights.has('signature.make')) return null;
    return { formToken, components: await this.#reviews.needed(caller.id, caller.sessionId) };
  }
}
