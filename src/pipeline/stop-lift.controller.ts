import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { readStopLift } from '../statements/stop-lift-view.js';
import { StopLiftService } from './stop-lift.service.js';

const RECEIPT_ID_MAX = 200;

/** Stops of a receipt: looked at by GET, lifted by POST of the digest that was shown. */
@Controller('api/v1/receipts')
export class StopLiftController {
  constructor(private readonly stops: StopLiftService) {}

  @Get(':id/stops')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = id.length > RECEIPT_ID_MAX ? null : await this.stops.show(id);
    if (view === null) throw new Problem('not-found', 'no announced receipt has this id');
    void reply.header('cache-control', 'private, no-cache');
    if (view.sha256 !== null) void reply.header('etag', `"${view.sha256}"`);
    return view;
  }

  @Post(':id/stops/lift')
  @HttpCode(200)
  @RequireRight('stop.lift', { provesPerson: true })
  async lift(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const { lift, userName, password } = readStopLift(fieldsOf(await readJsonBody(request)));
    const receiptId = id.slice(0, RECEIPT_ID_MAX);
    const who = signerOf(request.caller, userName, password);
    const answer = await this.stops.lift(receiptId, lift, who);
    mustBeSigned(answer, receiptId, 'receipt');
    const { lifted, outcome, revision, signature } = answer;
    return { receiptId, lifted, outcome, revision, signature: signatureManifest(signature) };
  }
}
