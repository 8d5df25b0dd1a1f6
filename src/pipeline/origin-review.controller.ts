import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { readOriginReview } from '../statements/origin-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { OriginReviewService } from './origin-review.service.js';

/** What a receipt's containers came from: looked at by GET, answered for by a signature. */
@Controller('api/v1/receipts')
export class OriginReviewController {
  constructor(private readonly origins: OriginReviewService) {}

  @Get(':id/origin')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const shown = await this.origins.show(id);
    if (shown === null) throw new Problem('receipt-unknown', `receipt ${id.slice(0, 100)}`);
    void reply.header('etag', `"${shown.sha256}"`).header('cache-control', 'private, no-cache');
    return shown;
  }

  @Post(':id/origin')
  @HttpCode(200)
  @RequireRight('receipt.manage', { provesPerson: true })
  async sign(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const asked = readOriginReview(fieldsOf(await readJsonBody(request)));
    const who = signerOf(request.caller, asked.userName, asked.password);
    const answer = await this.origins.sign(id, asked.request, who);
    if (answer.kind === 'unknown')
      throw new Problem('receipt-unknown', `receipt ${id.slice(0, 100)}`);
    mustBeSigned(answer, id.slice(0, 100));
    return { receiptId: id, signature: signatureManifest(answer.signature) };
  }
}
