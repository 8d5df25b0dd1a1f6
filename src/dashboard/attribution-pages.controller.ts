import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { readProposal } from '../statements/attribution-request.js';
import type { AttributionProposal } from '../statements/attribution-view.js';
import { reviewProblem } from '../statements/review-answer.js';
import { readSigned, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import type { NoticeView } from './account-view.js';
import { renderAttribution, renderAttributionList, renderPlace } from './attribution.page.js';
import { ATTRIBUTION_SOURCE, type AttributionSource } from './attribution-source.js';
import { formSigner } from './form-signer.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { attributionPath } from './review-path.js';
import { refusedNotice, unreadNotice } from './signing-notice.js';

const ID_LENGTH_MAX = 100;
const LIST_MAX = 100;

const DONE: Readonly<Record<string, NoticeView>> = {
  signed: {
    tone: 'good',
    title: 'Signed',
    text: 'The signature stands below, and in the trail.',
  },
  proposed: {
    tone: 'good',
    title: 'Proposed',
    text: 'It waits for a second person. What speaks against a receipt counts at both meanwhile.',
  },
};

/** Where results belong: what waits, one result with what was said about it, and the forms that propose and sign. */
@Controller('/attributions')
export class AttributionPagesController {
  readonly #attributions: AttributionSource;

  constructor(
    @Inject(ATTRIBUTION_SOURCE) attributions: AttributionSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#attributions = attributions;
  }

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const waiting = await this.#attributions.list('', LIST_MAX);
    const page = renderAttributionList(waiting, this.site.frame(request.caller, this.clock.now()));
    await reply.headers(FORM_PAGE_HEADERS).send(page);
  }

  @Get('results/:id')
  @RequireRight('pages.read', { isForMachine: true })
  async place(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#showPlace(id, request, reply, 200, null);
  }

  @Post('results/:id')
  @RequireRight('result.reattribute')
  async propose(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const { caller } = request;
    if (caller.kind !== 'person') throw new Problem('right-missing', 'a person proposes here');
    let proposal: AttributionProposal;
    try {
      proposal = readProposal(Object.fromEntries(request.form ?? []));
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      await this.#showPlace(id, request, reply, 422, unreadNotice(error.detail));
      return;
    }
    const by = { accountId: caller.id, printedName: caller.name, source: caller.source };
    const answer = await this.#attributions.propose(id, proposal, by);
    if (answer.kind === 'proposed') {
      const location = `${attributionPath(answer.id)}?done=proposed`;
      await reply.status(303).header('location', location).send();
      return;
    }
    const problem = reviewProblem(answer, id);
    if (problem === null) throw new Error('a problem was not told');
    const { status, notice } = refusedNotice(problem);
    await this.#showPlace(id, request, reply, status, notice);
  }

  @Get(':id')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, 200, DONE[done ?? ''] ?? null);
  }

  @Post(':id')
  @RequireRight('result.reattribute')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const acts = ['attribute', 'decline'] as const;
    let asked: ReturnType<typeof readSigned<(typeof acts)[number]>>;
    try {
      asked = readSigned(Object.fromEntries(request.form ?? []), acts);
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      await this.#show(id, request, reply, 422, unreadNotice(error.detail));
      return;
    }
    const who = signerOf(request.caller, asked.userName, asked.password);
    const problem = reviewProblem(await this.#attributions.decide(id, asked.review, who), id);
    if (problem === null) {
      const location = `${attributionPath(id)}?done=signed`;
      await reply.status(303).header('location', location).send();
      return;
    }
    const { status, notice } = refusedNotice(problem);
    await this.#show(id, request, reply, status, notice);
  }

  async #showPlace(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    status: number,
    notice: NoticeView | null,
  ): Promise<void> {
    const view = id.length > ID_LENGTH_MAX ? null : await this.#attributions.showResult(id);
    if (view === null) throw new Problem('not-found', 'no result has this id');
    const { caller, formToken } = request;
    const mayPropose = caller.kind === 'person' && caller.rights.has('result.reattribute');
    const page = renderPlace(
      view,
      this.site.frame(request.caller, this.clock.now()),
      mayPropose ? formToken : null,
      notice,
    );
    await reply.status(status).headers(FORM_PAGE_HEADERS).send(page);
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    status: number,
    notice: NoticeView | null,
  ): Promise<void> {
    const view = id.length > ID_LENGTH_MAX ? null : await this.#attributions.show(id);
    if (view === null) throw new Problem('not-found', 'no attribution has this id');
    const signer = await formSigner(request, 'result.reattribute', this.#attributions);
    const page = renderAttribution(
      view,
      this.site.frame(request.caller, this.clock.now()),
      signer,
      notice,
    );
    await reply.status(status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
