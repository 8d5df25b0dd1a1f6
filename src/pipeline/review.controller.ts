import { Controller, Get, HttpCode, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readReview, signerOf } from '../statements/review-request.js';
import { ReviewService } from './review.service.js';

const LIST_MAX = 200;
const LIST_DEFAULT = 50;

/** Results that wait for a reviewer: looked at by GET, decided by POST of the digest that was shown. */
@Controller('api/v1')
export class ReviewController {
  constructor(private readonly reviews: ReviewService) {}

  @Get('reviews')
  @RequireRight('pages.read')
  list(
    @Query('after') after: string | undefined,
    @Query('limit') limit: string | undefined,
  ): Promise<unknown> {
    const count = limit === undefined ? LIST_DEFAULT : Number(limit);
    if (!Number.isInteger(count) || count < 1 || count > LIST_MAX) {
      throw new Problem('query-invalid', `limit: expected 1 to ${LIST_MAX}, found ${limit}`);
    }
    return this.reviews.list((after ?? '').slice(0, 100), count);
  }

  /** The result with its record, findings and signatures, and what a review would sign. */
  @Get('results/:id/review')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = await this.reviews.show(id);
    if (view === null) throw new Problem('not-found', `no result has the id ${id.slice(0, 100)}`);
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return { ...view, record: view.record === null ? null : JSON.parse(view.record) };
  }

  @Post('results/:id/review')
  @HttpCode(200)
  @RequireRight('result.review', { provesPerson: true })
  async decide(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const { review, userName, password } = readReview(fieldsOf(await readJsonBody(request)));
    const answer = await this.reviews.decide(
      id,
      review,
      signerOf(request.caller, userName, password),
    );
    mustBeSigned(answer, id.slice(0, 100));
    return { rowId: id, state: answer.state, signature: signatureManifest(answer.signature) };
  }
}
