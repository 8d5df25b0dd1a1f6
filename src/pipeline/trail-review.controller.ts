import { Controller, Get, HttpCode, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { readTrailReview } from '../statements/trail-review-request.js';
import { TrailReviewService } from './trail-review.service.js';

/** The periodic review of the trail: looked at by GET, signed by POST of the digest that was shown. */
@Controller('api/v1/trail')
export class TrailReviewController {
  constructor(private readonly reviews: TrailReviewService) {}

  @Get('reviews')
  @RequireRight('trail.read')
  list(): Promise<unknown> {
    return this.reviews.list();
  }

  /** The range that is due, or up to another entry: what it holds, and what a signature would bind. */
  @Get('review')
  @RequireRight('trail.read')
  async show(
    @Query('last') last: string | undefined,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const upTo = last === undefined ? null : Number(last);
    if (upTo !== null && !Number.isSafeInteger(upTo)) {
      throw new Problem('query-invalid', 'last: expected the number of a sealed entry');
    }
    const view = await this.reviews.show(upTo);
    if (view === null) throw nothingDue(last);
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post('review')
  @HttpCode(200)
  @RequireRight('trail.review', { provesPerson: true })
  async sign(@Req() request: AuthenticatedRequest): Promise<unknown> {
    const { review, userName, password } = readTrailReview(fieldsOf(await readJsonBody(request)));
    const who = signerOf(request.caller, userName, password);
    const answer = await this.reviews.sign(review, who);
    if (answer.kind === 'unknown') throw nothingDue(String(review.last));
    mustBeSigned(answer, '');
    return { ...answer.range, signature: signatureManifest(answer.signature) };
  }
}

function nothingDue(last: string | undefined): Problem {
  const detail =
    last === undefined
      ? 'nothing was sealed since the last review'
      : `entry ${last.slice(0, 20)} is not sealed, or was reviewed before`;
  return new Problem('act-not-possible', detail);
}
