import { Controller, Get, HttpCode, Param, Post, Put, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { readIdempotencyKey } from '../access/idempotency-key.js';
import { readRequestBody } from '../access/request-body.files.js';
import { INBOUND_BYTES_MAX } from '../mapping/inbound-lines.js';
import { Problem } from '../problem-details.js';
import { AnnouncedBell } from '../receipts/expectations.controller.js';
import { InboundService } from './inbound.service.js';

const TYPE_LENGTH_MAX = 200;

/** What sources say of receipts, in their own words: read by the inbound mapping of the site folder. */
@Controller('api/v1/sources')
export class InboundController {
  constructor(
    private readonly inbound: InboundService,
    private readonly onAnnounced: AnnouncedBell,
  ) {}

  /** Takes a document with any number of receipt lines, all or none. */
  @Post(':source/receipts')
  @HttpCode(200)
  @RequireRight('expectation.write')
  post(@Param('source') source: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    return this.#take(source, null, request);
  }

  /** Takes a document that speaks of one receipt. */
  @Put(':source/receipts/:id')
  @RequireRight('expectation.write')
  put(
    @Param('source') source: string,
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    return this.#take(source, id, request);
  }

  /** What became of a document. */
  @Get(':source/documents/:id')
  @RequireRight('expectation.write')
  async show(@Param('source') source: string, @Param('id') id: string): Promise<unknown> {
    const shown = await this.inbound.show(source, id);
    if (shown === null) throw new Problem('document-unknown', `document ${id.slice(0, 100)}`);
    return shown;
  }

  /** The document as it came, byte for byte. */
  @Get(':source/documents/:id/raw')
  @RequireRight('expectation.write')
  async raw(
    @Param('source') source: string,
    @Param('id') id: string,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const bytes = await this.inbound.bytes(source, id);
    if (bytes === null) throw new Problem('document-unknown', `document ${id.slice(0, 100)}`);
    await reply
      .header('content-type', 'application/octet-stream')
      .header('content-disposition', 'attachment')
      .send(Buffer.from(bytes));
  }

  async #take(
    source: string,
    receiptId: string | null,
    request: AuthenticatedRequest,
  ): Promise<unknown> {
    const { headers } = request;
    const key = readIdempotencyKey(headers['idempotency-key'], request.url);
    const bytes = await readRequestBody(request, INBOUND_BYTES_MAX);
    if (bytes === null) {
      throw new Problem('body-too-large', `the limit is ${INBOUND_BYTES_MAX} bytes`);
    }
    const contentType = (headers['content-type'] ?? '').slice(0, TYPE_LENGTH_MAX);
    const actor = actorOf(request.caller);
    const answer = await this.inbound.take({ source, bytes, contentType, actor, key, receiptId });
    switch (answer.kind) {
      case 'taken':
        this.onAnnounced.ring();
        return answer.body;
      case 'source-unknown':
        throw new Problem('source-unknown', `source ${source.slice(0, 100)}`);
      case 'key-reused':
        throw new Problem('idempotency-key-reused', 'the key was used for another document');
      case 'refused': {
        const { documentId, sha256, faults } = answer;
        const detail = `${faults.length} faults; ${faults[0] ?? ''}`;
        throw new Problem('expectation-invalid', detail, { documentId, sha256, faults });
      }
    }
  }
}
