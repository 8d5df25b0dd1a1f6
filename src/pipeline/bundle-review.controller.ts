import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import { BundleReviewService } from './bundle-review.service.js';

const LIST_MAX = 200;

/** Held bundles: looked at by GET, refused by POST of the digest that was shown. */
@Controller('api/v1')
export class BundleReviewController {
  constructor(private readonly bundles: BundleReviewService) {}

  @Get('held-bundles')
  @RequireRight('pages.read')
  async list(): Promise<unknown> {
    // One more than is listed says whether there are more.
    const held = await this.bundles.list(LIST_MAX + 1);
    return { held: held.slice(0, LIST_MAX), isCut: held.length > LIST_MAX };
  }

  @Get('bundles/:id/review')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = await this.bundles.show(id);
    if (view === null) throw new Problem('not-found', `no bundle has the id ${id.slice(0, 100)}`);
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post('bundles/:id/review')
  @HttpCode(200)
  @RequireRight('result.review', { provesPerson: true })
  async refuse(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const asked = readSignedText(fields, 'reason', REASON_MAX);
    const who = signerOf(request.caller, asked.userName, asked.password);
    const answer = await this.bundles.refuse(id, asked, who);
    if (answer.kind === 'unknown') {
      throw new Problem('not-found', `no bundle has the id ${id.slice(0, 100)}`);
    }
    mustBeSigned(answer, id);
    return { rowId: id, state: 'refused', signature: signatureManifest(answer.signature) };
  }
}
