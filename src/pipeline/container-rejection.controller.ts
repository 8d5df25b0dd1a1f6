import { Controller, Get, HttpCode, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { LABEL_LENGTH_MAX } from '../receipts/label.js';
import { signatureManifest } from '../signatures/signature.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readInvestigation, readSigned, signerOf } from '../statements/review-request.js';
import { ContainerRejectionService } from './container-rejection.service.js';

/** Containers rejected by signature: looked at by GET, rejected by POST of the digest that was shown. */
@Controller('api/v1/receipts')
export class ContainerRejectionController {
  constructor(private readonly rejections: ContainerRejectionService) {}

  @Get(':id/rejection')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Query('container') container: string | undefined,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const label = readContainer(container);
    const view = await this.rejections.show(id.slice(0, LABEL_LENGTH_MAX), label);
    if (view === null) throw new Problem('not-found', 'no receipt lists this container');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id/rejection')
  @HttpCode(200)
  @RequireRight('receipt.manage', { provesPerson: true })
  async reject(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request.raw));
    const investigation = readInvestigation(fields);
    const asked = readSigned({ ...fields, act: 'reject' }, ['reject'] as const);
    const { shownSha256, reason } = asked.review;
    const container = readContainer(fields['container']);
    const receiptId = id.slice(0, LABEL_LENGTH_MAX);
    const answer = await this.rejections.reject(
      receiptId,
      { container, shownSha256, reason, investigation },
      signerOf(request.caller, asked.userName, asked.password),
    );
    mustBeSigned(answer, receiptId, 'receipt');
    return { receiptId, container, signature: signatureManifest(answer.signature) };
  }
}

function readContainer(value: unknown): string {
  if (typeof value === 'string' && value.trim() !== '' && value.length <= LABEL_LENGTH_MAX) {
    return value;
  }
  const expected = `expected the label of a container, 1 to ${LABEL_LENGTH_MAX} characters`;
  throw new Problem('query-invalid', `container: ${expected}`);
}
