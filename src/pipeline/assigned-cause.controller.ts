import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { CauseAnswer, CauseRequest } from '../statements/cause-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readInvestigated, signerOf } from '../statements/review-request.js';
import { AssignedCauseService } from './assigned-cause.service.js';

const ROW_ID_MAX = 100;

/** The cause of a contrary result: the series by GET, the signature by POST of the digest that was shown. */
@Controller('api/v1/results')
export class AssignedCauseController {
  constructor(private readonly causes: AssignedCauseService) {}

  @Get(':id/cause')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = await this.causes.show(id.slice(0, ROW_ID_MAX));
    if (view === null) throw new Problem('not-found', 'no result has this id');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id/cause')
  @HttpCode(200)
  @RequireRight('result.review', { provesPerson: true })
  async sign(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    return signCause(request, id.slice(0, ROW_ID_MAX), this.causes);
  }
}

/** Reads a cause with its investigation from a request, and has it signed; of a result or of a performance check. */
export async function signCause(
  request: AuthenticatedRequest,
  rowId: string,
  causes: {
    sign(rowId: string, cause: CauseRequest, who: SigningRequest): Promise<CauseAnswer>;
  },
): Promise<unknown> {
  const {
    investigated: cause,
    userName,
    password,
  } = readInvestigated(fieldsOf(await readJsonBody(request)));
  const who = signerOf(request.caller, userName, password);
  const answer = await causes.sign(rowId, cause, who);
  mustBeSigned(answer, rowId);
  return { rowId, signature: signatureManifest(answer.signature) };
}
