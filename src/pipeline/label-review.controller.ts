import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { LABEL_LENGTH_MAX } from '../receipts/label.js';
import { signatureManifest } from '../signatures/signature.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readReview, signerOf } from '../statements/review-request.js';
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
    const fields = fieldsOf(await readJsonBody(request.raw));
    // The same fields as any signed act, beside what was seen.
    const { review, userName, password } = readReview({ ...fields, act: 'clear' });
    const seen = {
      container: readText(fields, 'seenContainer'),
      receipt: readText(fields, 'seenReceipt'),
    };
    const { shownSha256, reason } = review;
    const asked = { shownSha256, reason, seen };
    const answer = await this.labels.verify(
      id,
      asked,
      signerOf(request.caller, userName, password),
    );
    mustBeSigned(answer, id.slice(0, 100));
    return { rowId: answer.signature.subject.id, signature: signatureManifest(answer.signature) };
  }
}

function readText(fields: Readonly<Record<string, unknown>>, name: string): string {
  const text = fields[name];
  if (typeof text === 'string' && text.trim() !== '' && text.length <= LABEL_LENGTH_MAX) {
    return text;
  }
  const expected = `expected what the label shows, 1 to ${LABEL_LENGTH_MAX} characters`;
  throw new Problem('query-invalid', `${name}: ${expected}`);
}
