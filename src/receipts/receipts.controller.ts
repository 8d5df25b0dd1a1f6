import { Controller, Get, HttpCode, Param, Post, Put, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { readIdempotencyKey } from '../access/idempotency-key.js';
import { readRequestBody } from '../access/request-body.files.js';
import { parseStrictJson } from '../formats/strict-json.js';
import { Problem } from '../problem-details.js';
import { receiptChangeSchema, receiptSchema } from '../site/schemas.files.js';
import { AnnouncedBell } from './expectations.controller.js';
import { LABEL_LENGTH_MAX } from './label.js';
import { type ChangeBody, namedTags, readChangeJson, readReceiptJson } from './receipt-json.js';
import {
  ReceiptRequestsService,
  type RequestAnswer,
  type RequestFacts,
} from './receipt-requests.service.js';

/** Twenty thousand labels of full length, with room for the rest. */
const BODY_BYTES_MAX = 16 * 1024 * 1024;
const JSON_DEPTH_MAX = 6;

/** Receipt lines one by one: announced, looked at, and changed by what is no announcement. */
@Controller('api/v1/receipts')
export class ReceiptsController {
  constructor(
    private readonly requests: ReceiptRequestsService,
    private readonly onAnnounced: AnnouncedBell,
  ) {}

  /** What is in force, with its ETag, where its containers came from and went to. */
  @Get(':id')
  @RequireRight('expectation.write')
  async get(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const shown = await this.requests.show(readId(id));
    if (shown === null) throw new Problem('receipt-unknown', `receipt ${id.slice(0, 100)}`);
    void reply.header('etag', `"${shown.tag}"`).header('cache-control', 'private, no-cache');
    return shown.body;
  }

  @Put(':id')
  @RequireRight('expectation.write')
  async put(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const read = readReceiptJson(readId(id), await readJson(request), receiptSchema());
    if (!read.ok) throw invalid(read.faults);
    const answer = await this.requests.announce(read.value, factsOf(request, false));
    return this.#answer(answer, reply);
  }

  @Post(':id/cancel')
  @HttpCode(200)
  @RequireRight('expectation.write')
  cancel(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    return this.#change('cancel', id, request, reply);
  }

  @Post(':id/relabel')
  @HttpCode(200)
  @RequireRight('expectation.write')
  relabel(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    return this.#change('relabel', id, request, reply);
  }

  @Post(':id/split')
  @HttpCode(200)
  @RequireRight('expectation.write')
  split(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    return this.#change('split', id, request, reply);
  }

  /** ERP confirms that rejected containers are split off: with a key, and in no other way. */
  @Post(':id/split-off')
  @HttpCode(200)
  @RequireRight('expectation.write')
  splitOff(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    return this.#change('split-off', id, request, reply);
  }

  /** `id` is the receipt that the merge makes. */
  @Post(':id/merge')
  @HttpCode(200)
  @RequireRight('expectation.write')
  merge(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    return this.#change('merge', id, request, reply);
  }

  async #change(
    change: ChangeBody['change'],
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
  ): Promise<unknown> {
    const facts = factsOf(request, true);
    const read = readChangeJson(change, await readJson(request), receiptChangeSchema());
    if (!read.ok)
      throw new Problem('receipt-change-invalid', counted(read.faults), { faults: read.faults });
    return this.#answer(await this.requests.change(readId(id), read.value, facts), reply);
  }

  #answer(answer: RequestAnswer, reply: FastifyReply): unknown {
    switch (answer.kind) {
      case 'done':
        this.onAnnounced.ring();
        void reply.header('etag', `"${answer.tag}"`);
        return answer.body;
      case 'faults':
        throw invalid(answer.faults.map((f) => `${f.message} (${f.rule}). ${f.remedy}`));
      case 'key-reused':
        throw new Problem('idempotency-key-reused', 'the key was used for another request');
      case 'tag-missing':
        throw new Problem('receipt-revision-missing', 'If-Match is missing');
      case 'refused':
        throw new Problem(answer.code, answer.detail);
    }
  }
}

function factsOf(request: AuthenticatedRequest, needsKey: boolean): RequestFacts {
  const { headers } = request;
  const hasKey = needsKey || headers['idempotency-key'] !== undefined;
  return {
    actor: actorOf(request.caller),
    key: hasKey ? readIdempotencyKey(headers['idempotency-key'], request.url) : null,
    ifMatch: namedTags(headers['if-match']),
    onlyIfNew: namedTags(headers['if-none-match']) === '*',
  };
}

function readId(id: string): string {
  if (id.length <= LABEL_LENGTH_MAX) return id;
  throw new Problem('query-invalid', `a receipt id has at most ${LABEL_LENGTH_MAX} characters`);
}

async function readJson(request: AuthenticatedRequest): Promise<unknown> {
  const type = request.headers['content-type'] ?? 'nothing';
  if (!/^application\/json\s*(;|$)/i.test(type)) {
    throw new Problem('body-type-unsupported', `expected application/json, found ${type}`);
  }
  const bytes = await readRequestBody(request, BODY_BYTES_MAX);
  if (bytes === null) throw new Problem('body-too-large', `the limit is ${BODY_BYTES_MAX} bytes`);
  const parsed = parseStrictJson(bytes, { bytesMax: BODY_BYTES_MAX, depthMax: JSON_DEPTH_MAX });
  if (parsed.ok) return parsed.value;
  throw invalid([`${parsed.fault.place.pointer || 'document'}: ${parsed.fault.message}`]);
}

function counted(faults: readonly string[]): string {
  return `${faults.length} faults; ${faults[0] ?? ''}`;
}

function invalid(faults: readonly string[]): Problem {
  return new Problem('expectation-invalid', counted(faults), { faults });
}
