import { Controller, Get, HttpCode, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { readProposal, readProposer } from '../statements/attribution-request.js';
import type { ProposalAnswer } from '../statements/attribution-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readSigned, signerOf } from '../statements/review-request.js';
import { AttributionService } from './attribution.service.js';

const ROW_ID_MAX = 100;
const LIST_MAX = 200;
const LIST_DEFAULT = 50;

/**
 * Where results belong (release-safety rule 25): looked at by GET, said otherwise by POST, and made so by a second
 * person who names the digest of what was shown.
 */
@Controller('api/v1')
export class AttributionController {
  constructor(private readonly attributions: AttributionService) {}

  @Get('attributions')
  @RequireRight('pages.read')
  async list(
    @Query('after') after: string | undefined,
    @Query('limit') limit: string | undefined,
  ): Promise<unknown> {
    const count = limit === undefined ? LIST_DEFAULT : Number(limit);
    if (!Number.isInteger(count) || count < 1 || count > LIST_MAX) {
      throw new Problem('query-invalid', `limit: expected 1 to ${LIST_MAX}, found ${limit}`);
    }
    const waiting = await this.attributions.list((after ?? '').slice(0, ROW_ID_MAX), count);
    return { waiting, next: waiting.length === count ? (waiting.at(-1)?.id ?? null) : null };
  }

  /** A result with where it is and everything that was proposed and signed about that. */
  @Get('results/:id/attribution')
  @RequireRight('pages.read')
  async showResult(@Param('id') id: string): Promise<unknown> {
    const view = await this.attributions.showResult(id.slice(0, ROW_ID_MAX));
    if (view === null) throw new Problem('not-found', 'no result has this id');
    return view;
  }

  @Post('results/:id/attribution')
  @HttpCode(201)
  @RequireRight('result.reattribute', { provesPerson: true })
  async propose(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const proposal = readProposal(fields);
    const rowId = id.slice(0, ROW_ID_MAX);
    const { caller } = request;
    let answer: ProposalAnswer;
    if (caller.kind === 'person') {
      const by = { accountId: caller.id, printedName: caller.name, source: caller.source };
      answer = await this.attributions.propose(rowId, proposal, by);
    } else {
      const { userName, password } = readProposer(fields);
      const who = signerOf(caller, userName, password);
      answer = await this.attributions.proposeAs(rowId, proposal, who);
    }
    mustBeSigned(answer, rowId);
    return { id: answer.id, rowId };
  }

  /** A proposal with what a second person would sign. */
  @Get('attributions/:id')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = await this.attributions.show(id.slice(0, ROW_ID_MAX));
    if (view === null) throw new Problem('not-found', 'no attribution has this id');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post('attributions/:id')
  @HttpCode(200)
  @RequireRight('result.reattribute', { provesPerson: true })
  async decide(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const { review, userName, password } = readSigned(fields, ['attribute', 'decline'] as const);
    const given = id.slice(0, ROW_ID_MAX);
    const who = signerOf(request.caller, userName, password);
    const answer = await this.attributions.decide(given, review, who);
    mustBeSigned(answer, given);
    const { state, revision, signature } = answer;
    return { id: given, state, revision, signature: signatureManifest(signature) };
  }
}
