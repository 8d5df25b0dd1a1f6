import { Controller, Get, HttpCode, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { RECEIPT_REVIEW_ACTS } from '../statements/receipt-review.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readSigned, signerOf } from '../statements/review-request.js';
import { ReceiptReviewService } from './receipt-review.service.js';

const LIST_MAX = 200;
const LIST_DEFAULT = 50;
const RECEIPT_ID_MAX = 200;

/** Statements that wait for their second person: looked at by GET, signed by POST of the digest that was shown. */
@Controller('api/v1')
export class ReceiptReviewController {
  constructor(private readonly reviews: ReceiptReviewService) {}

  @Get('receipt-reviews')
  @RequireRight('pages.read')
  list(
    @Query('after') after: string | undefined,
    @Query('limit') limit: string | undefined,
  ): Promise<unknown> {
    const count = limit === undefined ? LIST_DEFAULT : Number(limit);
    if (!Number.isInteger(count) || count < 1 || count > LIST_MAX) {
      throw new Problem('query-invalid', `limit: expected 1 to ${LIST_MAX}, found ${limit}`);
    }
    return this.reviews.list((after ?? '').slice(0, RECEIPT_ID_MAX), count);
  }

  /** What a second person would sign, with its digest, what each act would do, and who signed so far. */
  @Get('receipts/:id/review')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = id.length > RECEIPT_ID_MAX ? null : await this.reviews.show(id);
    if (view === null) throw new Problem('not-found', 'no announced receipt has this id');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post('receipts/:id/review')
  @HttpCode(200)
  @RequireRight('result.review', { provesPerson: true })
  async decide(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const { review, userName, password } = readSigned(fields, RECEIPT_REVIEW_ACTS);
    const receiptId = id.slice(0, RECEIPT_ID_MAX);
    const who = signerOf(request.caller, userName, password);
    const answer = await this.reviews.decide(receiptId, review, who);
    mustBeSigned(answer, receiptId, 'receipt');
    const { outcome, revision, signature } = answer;
    return { receiptId, outcome, revision, signature: signatureManifest(signature) };
  }
}
