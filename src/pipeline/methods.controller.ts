import { Controller, Get, HttpCode, Param, Post, Put, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { AccountsService } from '../access/accounts.service.js';
import { actingPerson } from '../access/acting-person.service.js';
import { actorOf, type Caller } from '../access/caller.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { readRequestBody } from '../access/request-body.files.js';
import type { Actor } from '../audit/audit.store.js';
import { parseStrictJson } from '../formats/strict-json.js';
import { readAct, readActInstant } from '../methods/method-request.js';
import { readVersionPage, versionPage } from '../methods/version-page.js';
import { Problem } from '../problem-details.js';
import { signatureManifest } from '../signatures/signature.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import { MethodsService, type VersionName } from './methods.service.js';

/** A reference of twenty thousand points, with room for its digits. */
const BODY_BYTES_MAX = 4 * 1024 * 1024;
const JSON_DEPTH_MAX = 6;
const NAME_MAX = 64;

/** The method registry: looked at by GET, proposed by PUT, put in force and ended by signed acts. */
@Controller('api/v1/methods')
export class MethodsController {
  constructor(
    private readonly methods: MethodsService,
    private readonly accounts: AccountsService,
  ) {}

  @Get()
  @RequireRight('pages.read')
  async list(
    @Query('limit') limit: string | undefined,
    @Query('after') after: string | undefined,
  ): Promise<unknown> {
    return versionPage(await this.methods.list(), readVersionPage(limit, after));
  }

  @Get(':id/:version')
  @RequireRight('pages.read')
  async show(@Param('id') id: string, @Param('version') version: string): Promise<unknown> {
    const view = await this.methods.show(nameOf(id, version));
    if (view === null) throw unknown(id, version);
    return view;
  }

  /** The reference's file, byte for byte as it was registered. */
  @Get(':id/:version/reference')
  @RequireRight('pages.read')
  async reference(
    @Param('id') id: string,
    @Param('version') version: string,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const bytes = await this.methods.reference(nameOf(id, version));
    if (bytes === null) throw unknown(id, version);
    await reply.header('content-type', 'text/csv; charset=utf-8').send(Buffer.from(bytes));
  }

  @Put(':id/:version')
  @RequireRight('method.propose', { provesPerson: true })
  async propose(
    @Param('id') id: string,
    @Param('version') version: string,
    @Req() request: AuthenticatedRequest,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const read = await readProposalBody(request);
    const fields = fieldsOf(read);
    if (fields['id'] !== id || fields['version'] !== version) {
      throw new Problem('query-invalid', 'id and version of the body are not those of the address');
    }
    const { body, actor } = await this.#proposed(request.caller, read, fields);
    const answer = await this.methods.propose(body, actor);
    switch (answer.kind) {
      case 'nobody-answers':
        throw new Problem('right-missing', answer.detail);
      case 'invalid': {
        const { faults } = answer;
        const [first] = faults;
        const more = faults.length > 1 ? ` (and ${faults.length - 1} more)` : '';
        const detail = first ? `${first.pointer}: ${first.message}${more}` : 'it breaks a rule';
        throw new Problem('method-invalid', detail, { faults });
      }
      case 'exists':
        throw new Problem('method-version-exists', answer.detail);
      default:
        void reply.status(answer.kind === 'registered' ? 201 : 200);
        return answer.method;
    }
  }

  /** Commands prove a person beside the proposal: whoever may run them is not who approves it, or nobody would know. */
  async #proposed(
    caller: Caller,
    read: unknown,
    fields: Readonly<Record<string, unknown>>,
  ): Promise<{ readonly body: unknown; readonly actor: Actor }> {
    if (caller.kind !== 'cli') return { body: read, actor: actorOf(caller) };
    const { userName: _, password: __, ...body } = fields;
    return { body, actor: await actingPerson(this.accounts, caller, 'method.propose', fields) };
  }

  @Get(':id/:version/acts/:act')
  @RequireRight('pages.read')
  async showAct(
    @Param('id') id: string,
    @Param('version') version: string,
    @Param('act') act: string,
    @Query('at') at: string | undefined,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const asked = readAct(act);
    const instant = readActInstant(asked, at);
    const view = await this.methods.showAct(nameOf(id, version), asked, instant);
    if (view === null) throw unknown(id, version);
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id/:version/acts/:act')
  @HttpCode(200)
  @RequireRight('method.approve', { provesPerson: true })
  async sign(
    @Param('id') id: string,
    @Param('version') version: string,
    @Param('act') act: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const asked = readAct(act);
    const fields = fieldsOf(await readJsonBody(request));
    const at = readActInstant(asked, fields['at']);
    const signed = readSignedText(fields, 'reason', REASON_MAX);
    const who = signerOf(request.caller, signed.userName, signed.password);
    const { shownSha256, text: reason } = signed;
    const answer = await this.methods.sign(
      nameOf(id, version),
      { act: asked, at, shownSha256, reason },
      who,
    );
    if (answer.kind === 'unknown') throw unknown(id, version);
    mustBeSigned(answer, '');
    const { method, stopped, signature } = answer;
    return { method, stopped, signature: signatureManifest(signature) };
  }
}

function nameOf(id: string, version: string): VersionName {
  return { id: id.slice(0, NAME_MAX + 1), version: version.slice(0, NAME_MAX + 1) };
}

function unknown(id: string, version: string): Problem {
  const name = `${id.slice(0, NAME_MAX)} version ${version.slice(0, NAME_MAX)}`;
  return new Problem('not-found', `there is no ${name}, or it has nothing of the kind`);
}

async function readProposalBody(request: AuthenticatedRequest): Promise<unknown> {
  const bytes = await readRequestBody(request, BODY_BYTES_MAX);
  if (bytes === null) throw new Problem('body-too-large', `the limit is ${BODY_BYTES_MAX} bytes`);
  const parsed = parseStrictJson(bytes, { bytesMax: BODY_BYTES_MAX, depthMax: JSON_DEPTH_MAX });
  if (!parsed.ok) throw new Problem('query-invalid', `body: ${parsed.fault.message}`);
  return parsed.value;
}
