import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { readLabelReview } from '../statements/label-review-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { LabelReviewService } from './label-review.service.js';

/** Labels that were not scanned: looked at by GET, compared with the container by POST of what the labels show. */
@Controller('api/v1/results')
export class LabelReviewController {
  constructor(private readonly labels: LabelReviewService) {}

  @Get(':id/labels')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const shown = await this.labels.show(id);
    if (shown === null) throw new Problem('not-found', `no result has the id ${id.slice(0, 100)}`);
    void reply.header('etag', `"${shown.sha256}"`).header('cache-control', 'private, no-cache');
    return shown;
  }

  @Post(':id/labels')
  @HttpCode(200)
  @RequireRight('result.review', { provesPerson: true })
  async compare(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const asked = readLabelReview(fieldsOf(await readJsonBody(request)));
    const who = signerOf(request.caller, asked.userName, asked.password);
    const answer = await this.labels.verify(id, asked.request, who);
    mustBeSigned(answer, id.slice(0, 100));
    return { rowId: answer.signature.subject.id, signature: signatureManifest(answer.signature) };
  }
}
