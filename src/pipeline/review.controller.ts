import { Controller, Get, HttpCode, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { readBody } from '../formats/read-body.files.js';
import { parseStrictJson } from '../formats/strict-json.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing.service.js';
import { type ReviewRequest, ReviewService } from './review.service.js';
import { reviewProblem } from './review-answer.js';

const BODY_BYTES_MAX = 20_000;
const LIST_MAX = 200;
const LIST_DEFAULT = 50;
export const REASON_MIN = 3;
export const REASON_MAX = 1000;

/** Results that wait for a reviewer: looked at by GET, decided by POST of the digest that was shown. */
@Controller('api/v1')
export class ReviewController {
  constructor(private readonly reviews: ReviewService) {}

  @Get('reviews')
  @RequireRight('pages.read')
  list(
    @Query('after') after: string | undefined,
    @Query('limit') limit: string | undefined,
  ): Promise<unknown> {
    const count = limit === undefined ? LIST_DEFAULT : Number(limit);
    if (!Number.isInteger(count) || count < 1 || count > LIST_MAX) {
      throw new Problem('query-invalid', `limit: expected 1 to ${LIST_MAX}, found ${limit}`);
    }
    return this.reviews.list((after ?? '').slice(0, 100), count);
  }

  /** The result with its record, findings and signatures, and what a review would sign. */
  @Get('results/:id/review')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = await this.reviews.show(id);
    if (view === null) throw new Problem('not-found', `no result has the id ${id.slice(0, 100)}`);
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return { ...view, record: view.record === null ? null : JSON.parse(view.record) };
  }

  @Post('results/:id/review')
  @HttpCode(200)
  @RequireRight('result.review', { provesPerson: true })
  async decide(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const { review, userName, password } = readReview(await readJson(request));
    const answer = await this.reviews.decide(id, review, signerOf(request, userName, password));
    const problem = reviewProblem(answer, id.slice(0, 100));
    if (problem !== null) throw new Problem(problem.code, problem.detail, problem.extensions);
    if (answer.kind !== 'signed') throw new Error('a problem was not told');
    return { rowId: id, state: answer.state, signature: signatureManifest(answer.signature) };
  }
}

/** Who signs: the person of the session, or on the command line whoever the user name says. */
export function signerOf(
  { caller }: Pick<AuthenticatedRequest, 'caller'>,
  userName: string | null,
  password: string,
): SigningRequest {
  const isPerson = caller.kind === 'person';
  return {
    actor: actorOf(caller),
    accountId: isPerson ? caller.id : null,
    sessionId: isPerson ? caller.sessionId : null,
    userName,
    password,
    source: caller.source,
  };
}

/**
 * @throws Problem `query-invalid` that names the field.
 */
export function readReview(fields: Readonly<Record<string, unknown>>): {
  readonly review: ReviewRequest;
  readonly userName: string | null;
  readonly password: string;
} {
  const { act, shown, reason, userName, password } = fields;
  if (act !== 'clear' && act !== 'refuse') {
    throw new Problem('query-invalid', 'act: expected clear or refuse');
  }
  if (typeof shown !== 'string' || !/^[0-9a-f]{64}$/.test(shown)) {
    throw new Problem('query-invalid', 'shown: expected the SHA-256 of what was shown (the ETag)');
  }
  const why = typeof reason === 'string' ? reason.trim() : '';
  if (why.length < REASON_MIN || why.length > REASON_MAX) {
    throw new Problem(
      'query-invalid',
      `reason: expected ${REASON_MIN} to ${REASON_MAX} characters`,
    );
  }
  if (typeof password !== 'string' || password === '') {
    throw new Problem('query-invalid', 'password: expected the password of the signer');
  }
  if (userName !== undefined && userName !== null && typeof userName !== 'string') {
    throw new Problem('query-invalid', 'userName: expected a text');
  }
  const name = typeof userName === 'string' ? userName.trim() : '';
  return {
    review: { act, shownSha256: shown, reason: why },
    userName: name === '' ? null : name,
    password,
  };
}

/** @throws Problem when the body is no JSON object. */
export async function readJson(request: AuthenticatedRequest): Promise<Record<string, unknown>> {
  const bytes = await readBody(request.raw, BODY_BYTES_MAX);
  if (bytes === null) throw new Problem('body-too-large', `the limit is ${BODY_BYTES_MAX} bytes`);
  const parsed = parseStrictJson(bytes, { bytesMax: BODY_BYTES_MAX, depthMax: 4 });
  if (!parsed.ok) throw new Problem('query-invalid', `body: ${parsed.fault.message}`);
  const { value } = parsed;
  if (typeof value !== 'object' || value === null || Array.isArray(value)) {
    throw new Problem('query-invalid', 'body: expected an object');
  }
  return value as Record<string, unknown>;
}
