import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { readLostStop } from '../statements/lost-stop.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { LostStopsService } from './lost-stops.service.js';

const RECEIPT_ID_MAX = 200;

/** Stops of a lost life of the database: looked at by GET, acknowledged by POST of the digest that was shown. */
@Controller('api/v1/receipts')
export class LostStopsController {
  constructor(private readonly stops: LostStopsService) {}

  @Get(':id/stops/lost')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = id.length > RECEIPT_ID_MAX ? null : await this.stops.show(id);
    if (view === null) throw new Problem('not-found', 'no announced receipt has this id');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id/stops/lost')
  @HttpCode(200)
  @RequireRight('stop.lift', { provesPerson: true })
  async acknowledge(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const read = readLostStop(fieldsOf(await readJsonBody(request)));
    const receiptId = id.slice(0, RECEIPT_ID_MAX);
    const who = signerOf(request.caller, read.userName, read.password);
    const answer = await this.stops.acknowledge(receiptId, read.request, who);
    mustBeSigned(answer, receiptId, 'receipt');
    const { acknowledged, outcome, revision, signature } = answer;
    return { receiptId, acknowledged, outcome, revision, signature: signatureManifest(signature) };
  }
}
