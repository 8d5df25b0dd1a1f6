import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { uuidv7 } from 'uuidv7';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { Problem } from '../problem-details.js';
import { DiscrepanciesService } from '../reconciliation/discrepancies.service.js';
import type { QueryFields } from '../reconciliation/discrepancy-query.js';
import { renderDiscrepancyList, renderDiscrepancyPage } from './discrepancy.page.js';
import { discrepancyPath } from './discrepancy-path.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { signedInOf } from './signed-in.js';
import { sentForm, type TypedForm } from './typed-form.js';
import { DAY_VIEW_SOURCE, type DayViewSource } from './view-source.js';

const ID_LENGTH_MAX = 100;

/** Discrepancies as a list, and one with its history and the form to comment on it. */
@Controller('discrepancies')
export class DiscrepancyPagesController {
  readonly #source: DayViewSource;

  constructor(
    @Inject(DAY_VIEW_SOURCE) source: DayViewSource,
    private readonly discrepancies: DiscrepanciesService,
  ) {
    this.#source = source;
  }

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(
    @Query() fields: QueryFields,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const view = await this.#source.loadDiscrepancies(fields);
    if (typeof view === 'string') throw new Problem('query-invalid', view);
    const page = renderDiscrepancyList(view, signedInOf(request.caller));
    await reply.headers(FORM_PAGE_HEADERS).send(page);
  }

  @Get(':id')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, null);
  }

  @Post(':id')
  @RequireRight('discrepancy.comment')
  async comment(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const reference = (request.form?.get('reference') ?? '').trim();
    const said = {
      text: request.form?.get('text') ?? '',
      reference: reference === '' ? null : reference,
    };
    const sentAs = request.form?.get('sentAs') ?? null;
    const answer = await this.discrepancies.comment(id, said, actorOf(request.caller), sentAs);
    if (answer.kind === 'refused') {
      const { fault } = answer;
      await this.#show(id, request, reply, { fault, typed: sentForm(request) });
      return;
    }
    if (answer.kind === 'unknown') throw new Problem('not-found', 'no discrepancy has this id');
    await reply.status(303).header('location', discrepancyPath(id)).send();
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    refused: { readonly fault: string; readonly typed: TypedForm } | null,
  ): Promise<void> {
    const view = id.length > ID_LENGTH_MAX ? null : await this.#source.loadDiscrepancy(id);
    if (view === null) throw new Problem('not-found', 'no discrepancy has this id');
    const { caller, formToken } = request;
    const mayComment = caller.kind === 'person' && caller.rights.has('discrepancy.comment');
    const page = renderDiscrepancyPage({
      view,
      signedIn: signedInOf(caller),
      commenter: mayComment && formToken !== null ? { formToken, sentAs: uuidv7() } : null,
      refused,
    });
    await reply
      .status(refused === null ? 200 : 422)
      .headers(FORM_PAGE_HEADERS)
      .send(page);
  }
}
