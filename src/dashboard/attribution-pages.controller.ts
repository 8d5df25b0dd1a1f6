import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { readProposal } from '../statements/attribution-request.js';
import type { AttributionView } from '../statements/attribution-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readSigned, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { renderAttribution, renderAttributionList, renderPlace } from './attribution.page.js';
import { ATTRIBUTION_SOURCE, type AttributionSource } from './attribution-source.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { attributionPath } from './review-path.js';
import {
  type Arrived,
  answerSignedForm,
  doneSaid,
  NOTHING_SAID,
  type Said,
  signedAt,
  signedHere,
} from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const ID_LENGTH_MAX = 100;
const LIST_MAX = 100;

const PROPOSED = doneSaid(
  'It waits for a second person. What speaks against a receipt counts at both meanwhile.',
  'Proposed',
);

const SIGNED = signedHere(
  'The signature stands below, and in the trail.',
  ({ attribution: { signature } }: AttributionView) => (signature === null ? [] : [signature]),
);

const arrived: Arrived<AttributionView> = (done, view, caller) => {
  if (done === 'proposed') return view.attribution.state === 'open' ? PROPOSED : NOTHING_SAID;
  return SIGNED(done, view, caller);
};

/** Where results belong: what waits, one result with what was said about it, and the forms that propose and sign. */
@Controller('/attributions')
export class AttributionPagesController {
  readonly #attributions: AttributionSource;
  readonly #pages: SignedPages;

  constructor(
    @Inject(ATTRIBUTION_SOURCE) attributions: AttributionSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#attributions = attributions;
    this.#pages = new SignedPages(site, clock);
  }

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(
    @Query('after') after: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    // One more than a page shows says whether there is another.
    const read = await this.#attributions.list((after ?? '').slice(0, ID_LENGTH_MAX), LIST_MAX + 1);
    const waiting = read.slice(0, LIST_MAX);
    const next = read.length > LIST_MAX ? (waiting.at(-1)?.id ?? null) : null;
    const frame = this.site.frame(request.caller, this.clock.now());
    const page = renderAttributionList({ waiting, next }, frame);
    await reply.headers(FORM_PAGE_HEADERS).send(page);
  }

  @Get('results/:id')
  @RequireRight('pages.read', { isForMachine: true })
  async place(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#showPlace(id, request, reply, NOTHING_SAID);
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
    const by = { accountId: caller.id, printedName: caller.name, source: caller.source };
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const answer = await this.#attributions.propose(id, readProposal(fields), by);
        mustBeSigned(answer, id);
        return `${attributionPath(answer.id)}?done=proposed`;
      },
      show: (said) => this.#showPlace(id, request, reply, said),
    });
  }

  @Get(':id')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.show(this.#page(id), { request, reply }, done);
  }

  @Post(':id')
  @RequireRight('result.reattribute')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.sign(this.#page(id), { request, reply }, async (fields) => {
      const { review, userName, password } = readSigned(fields, ['attribute', 'decline']);
      const who = signerOf(request.caller, userName, password);
      const answer = await this.#attributions.decide(id, review, who);
      mustBeSigned(answer, id, 'attribution');
      return signedAt(attributionPath(id), answer.signature);
    });
  }

  async #showPlace(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
  ): Promise<void> {
    const view = id.length > ID_LENGTH_MAX ? null : await this.#attributions.showResult(id);
    if (view === null) throw new Problem('not-found', 'no result has this id');
    const { caller, formToken } = request;
    const mayPropose = caller.kind === 'person' && caller.rights.has('result.reattribute');
    const page = renderPlace(
      view,
      this.site.frame(request.caller, this.clock.now()),
      mayPropose ? formToken : null,
      said,
    );
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }

  #page(id: string): SignedPage<AttributionView> {
    return {
      load: async () => (id.length > ID_LENGTH_MAX ? null : this.#attributions.show(id)),
      missing: 'no attribution has this id',
      right: 'result.reattribute',
      signing: this.#attributions,
      arrived,
      render: renderAttribution,
    };
  }
}
