import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { RECEIPT_REVIEW_ACTS } from '../statements/receipt-review.js';
import type { ReceiptReviewAnswer } from '../statements/receipt-review-view.js';
import { reviewProblem } from '../statements/review-answer.js';
import { readSigned, signerOf } from '../statements/review-request.js';
import { readStopLift, type StopLiftAnswer } from '../statements/stop-lift-view.js';
import type { NoticeView } from './account-view.js';
import { formSigner } from './form-signer.js';
import { renderUnknownReceipt } from './message.page.js';
import { FORM_PAGE_HEADERS, PAGE_HEADERS } from './page-policy.js';
import { renderReceiptPage } from './receipt.page.js';
import { receiptPath } from './receipt-path.js';
import { RECEIPT_REVIEW_SOURCE, type ReceiptReviewSource } from './receipt-review-source.js';
import { signedInOf } from './signed-in.js';
import { refusedNotice, unreadNotice } from './signing-notice.js';
import { STOP_LIFT_SOURCE, type StopLiftSource } from './stop-lift-source.js';
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
  readonly #stops: StopLiftSource;

  constructor(
    @Inject(DAY_VIEW_SOURCE) source: DayViewSource,
    @Inject(RECEIPT_REVIEW_SOURCE) reviews: ReceiptReviewSource,
    @Inject(STOP_LIFT_SOURCE) stops: StopLiftSource,
  ) {
    this.#stops = stops;
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
    await this.#signed(id, request, reply, (receiptId, fields) => {
      const { review, userName, password } = readSigned(fields, RECEIPT_REVIEW_ACTS);
      const who = signerOf(request.caller, userName, password);
      return this.#reviews.decide(receiptId, review, who);
    });
  }

  @Post(':id/stops/lift')
  @RequireRight('stop.lift')
  async lift(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#signed(id, request, reply, (receiptId, fields) => {
      const { lift, userName, password } = readStopLift(fields);
      return this.#stops.lift(receiptId, lift, signerOf(request.caller, userName, password));
    });
  }

  /** Reads a form, has the act signed, and goes back to the page, or shows on it what went wrong. */
  async #signed(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    sign: (
      receiptId: string,
      fields: Readonly<Record<string, unknown>>,
    ) => Promise<ReceiptReviewAnswer | StopLiftAnswer>,
  ): Promise<void> {
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    let answer: ReceiptReviewAnswer | StopLiftAnswer;
    try {
      answer = await sign(receiptId, Object.fromEntries(request.form ?? []));
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      const notice = unreadNotice(error.detail);
      await this.#show(id, request, reply, 422, notice);
      return;
    }
    const problem = reviewProblem(answer, receiptId, 'receipt');
    if (problem === null) {
      const location = `${receiptPath(receiptId)}?done=signed`;
      await reply.status(303).header('location', location).send();
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
    const view = id.length > RECEIPT_ID_LENGTH_MAX ? null : await this.#source.loadReceipt(id);
    const signedIn = signedInOf(request.caller);
    if (view === null) {
      const page = renderUnknownReceipt(id.slice(0, RECEIPT_ID_LENGTH_MAX), signedIn);
      const headers = { ...PAGE_HEADERS, 'content-type': HTML };
      await reply.status(404).headers(headers).send(page);
      return;
    }
    const review = await this.#reviews.show(id);
    const stops = await this.#stops.show(id);
    const signer = await formSigner(request, 'result.review', this.#reviews);
    const lifter = await formSigner(request, 'stop.lift', this.#reviews);
    const page = renderReceiptPage(view, signedIn, { review, signer, stops, lifter, notice });
    const headers =
      signer === null && lifter === null
        ? { ...PAGE_HEADERS, 'content-type': HTML }
        : FORM_PAGE_HEADERS;
    await reply.status(status).headers(headers).send(page);
  }
}
