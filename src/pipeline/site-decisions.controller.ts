import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import { SiteDecisionsService } from './site-decisions.service.js';

const ID_SHOWN_MAX = 200;

/** Decisions of the site folder: looked at by GET, signed by POST. */
@Controller('api/v1/decisions')
export class SiteDecisionsController {
  constructor(private readonly decisions: SiteDecisionsService) {}

  @Get()
  @RequireRight('pages.read')
  async list(): Promise<unknown> {
    return { decisions: await this.decisions.list() };
  }

  @Get(':id')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = await this.decisions.show(id);
    if (view === null) throw unknown(id);
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id')
  @HttpCode(200)
  @RequireRight('decision.sign', { provesPerson: true })
  async sign(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const signed = readSignedText(fields, 'reason', REASON_MAX);
    const who = signerOf(request.caller, signed.userName, signed.password);
    const { shownSha256, text: reason } = signed;
    const answer = await this.decisions.sign(id, { shownSha256, reason }, who);
    if (answer.kind === 'unknown') throw unknown(id);
    mustBeSigned(answer, '');
    return { decision: answer.decision, signature: signatureManifest(answer.signature) };
  }
}

function unknown(id: string): Problem {
  return new Problem('not-found', `the site has no decision ${id.slice(0, ID_SHOWN_MAX)}`);
}
