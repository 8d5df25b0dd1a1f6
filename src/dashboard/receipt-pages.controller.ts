import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { Signature } from '../signatures/signature.js';
import { RECEIPT_REVIEW_ACTS } from '../statements/receipt-review.js';
import type { ReceiptReviewView } from '../statements/receipt-review-view.js';
import { mustBeSigned, type NotSigned } from '../statements/review-answer.js';
import { readSigned, signerOf } from '../statements/review-request.js';
import { readStopLift, type StopLiftView } from '../statements/stop-lift-view.js';
import { formSigner, mayAct } from './form-signer.js';
import { INSPECTIONS_SOURCE, type InspectionsSource } from './inspections-source.js';
import { LABELS_SOURCE, type LabelsSource } from './labels-source.js';
import { LOST_STOPS_SOURCE, type LostStopsSource } from './lost-stops-source.js';
import { renderUnknownReceipt } from './message.page.js';
import { FORM_PAGE_HEADERS, PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { renderReceiptPage } from './receipt.page.js';
import { receiptPath } from './receipt-path.js';
import { RECEIPT_REVIEW_SOURCE, type ReceiptReviewSource } from './receipt-review-source.js';
import {
  answerSignedForm,
  NOTHING_SAID,
  type Said,
  type StandingSignature,
  signedAt,
  signedHere,
} from './signed-form.js';
import { signedInOf } from './signed-in.js';
import { STOP_LIFT_SOURCE, type StopLiftSource } from './stop-lift-source.js';
import { DAY_VIEW_SOURCE, type DayViewSource } from './view-source.js';

const HTML = 'text/html; charset=utf-8';

/** Longer ids belong to no receipt; nothing that long is echoed. */
const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedHere('The signature stands below, and in the trail.', signaturesOn);

/** Signatures of second persons, and of who lifted a stop. */
function signaturesOn(shown: {
  readonly review: ReceiptReviewView | null;
  readonly stops: StopLiftView | null;
}): StandingSignature[] {
  const lifts = (shown.stops?.stops ?? []).flatMap(({ signature }) => signature ?? []);
  return [...(shown.review?.signatures ?? []), ...lifts];
}

/** The page of one receipt line, and the form on it that its second person signs by. */
@Controller('/receipts')
export class ReceiptPagesController {
  readonly #source: DayViewSource;
  readonly #reviews: ReceiptReviewSource;
  readonly #stops: StopLiftSource;
  readonly #inspections: InspectionsSource;
  readonly #labels: LabelsSource;
  readonly #lostStops: LostStopsSource;

  constructor(
    @Inject(DAY_VIEW_SOURCE) source: DayViewSource,
    @Inject(RECEIPT_REVIEW_SOURCE) reviews: ReceiptReviewSource,
    @Inject(STOP_LIFT_SOURCE) stops: StopLiftSource,
    @Inject(INSPECTIONS_SOURCE) inspections: InspectionsSource,
    @Inject(LABELS_SOURCE) labels: LabelsSource,
    @Inject(LOST_STOPS_SOURCE) lostStops: LostStopsSource,
    private readonly site: PageSite,
  ) {
    this.#stops = stops;
    this.#inspections = inspections;
    this.#labels = labels;
    this.#lostStops = lostStops;
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
    await this.#show(id, request, reply, done ?? NOTHING_SAID);
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

  async #signed(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    sign: (
      receiptId: string,
      fields: Readonly<Record<string, unknown>>,
    ) => Promise<{ readonly kind: 'signed'; readonly signature: Signature } | NotSigned>,
  ): Promise<void> {
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const answer = await sign(receiptId, fields);
        mustBeSigned(answer, receiptId, 'receipt');
        return signedAt(receiptPath(receiptId), answer.signature);
      },
      show: (said) => this.#show(id, request, reply, said),
    });
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    arrived: Said | string,
  ): Promise<void> {
    const isId = id.length <= RECEIPT_ID_LENGTH_MAX;
    // What a signature would cover is read first: what comes in meanwhile is shown, and refuses the signature.
    const review = isId ? await this.#reviews.show(id) : null;
    const stops = isId ? await this.#stops.show(id) : null;
    const view = isId ? await this.#source.loadReceipt(id) : null;
    const signedIn = signedInOf(request.caller);
    if (view === null) {
      const page = renderUnknownReceipt(id.slice(0, RECEIPT_ID_LENGTH_MAX), signedIn);
      const headers = { ...PAGE_HEADERS, 'content-type': HTML };
      await reply.status(404).headers(headers).send(page);
      return;
    }
    const said =
      typeof arrived === 'string' ? SIGNED(arrived, { review, stops }, request.caller) : arrived;
    const inspections = await this.#inspections.show(id);
    const signer = await formSigner(request, 'result.review', this.#reviews);
    const mayReject = mayAct(request, 'receipt.manage');
    const lifter = await formSigner(request, 'stop.lift', this.#reviews);
    const page = renderReceiptPage(view, signedIn, {
      review,
      signer,
      stops,
      lifter,
      inspections,
      labels: await this.#labels.ofReceipt(id),
      lostStops: await this.#lostStops.count(id),
      mayReject,
      said,
    });
    const headers =
      signer === null && lifter === null
        ? { ...PAGE_HEADERS, 'content-type': HTML }
        : FORM_PAGE_HEADERS;
    await reply.status(said.status).headers(headers).send(page);
  }
}
