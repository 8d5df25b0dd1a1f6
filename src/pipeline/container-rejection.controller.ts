import { Controller, Get, HttpCode, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { LABEL_LENGTH_MAX } from '../receipts/label.js';
import { signatureManifest } from '../signatures/signature.js';
import { readContainerLabel, readRejection } from '../statements/container-rejection-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
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
    const label = readContainerLabel(container);
    const view = await this.rejections.show(id.slice(0, LABEL_LENGTH_MAX), label);
    if (view === null) throw new Problem('not-found', 'no receipt lists this container');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id/rejection')
  @HttpCode(200)
  @RequireRight('receipt.manage', { provesPerson: true })
  async reject(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const asked = readRejection(fieldsOf(await readJsonBody(request)));
    const { container } = asked.request;
    const receiptId = id.slice(0, LABEL_LENGTH_MAX);
    const answer = await this.rejections.reject(
      receiptId,
      asked.request,
      signerOf(request.caller, asked.userName, asked.password),
    );
    mustBeSigned(answer, receiptId, 'receipt');
    return { receiptId, container, signature: signatureManifest(answer.signature) };
  }
}
