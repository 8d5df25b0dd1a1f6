import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { CauseView } from '../statements/cause-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { readInvestigated, signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { renderCause } from './cause.page.js';
import { CAUSE_SOURCE, type CauseSource } from './cause-source.js';
import { PageSite } from './page-site.js';
import { causePath } from './review-path.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const ID_LENGTH_MAX = 100;

const SIGNED = signedHere(
  'The cause is signed. It stands below, in the trail, and in the statement.',
  (view: CauseView) => view.signatures,
);

/** The cause of a contrary result: the series of its container, and the form that signs it. */
@Controller('/review')
export class CausePagesController {
  readonly #causes: CauseSource;
  readonly #pages: SignedPages;

  constructor(@Inject(CAUSE_SOURCE) causes: CauseSource, site: PageSite, clock: Clock) {
    this.#causes = causes;
    this.#pages = new SignedPages(site, clock);
  }

  @Get(':id/cause')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.show(this.#page(id), { request, reply }, done);
  }

  @Post(':id/cause')
  @RequireRight('result.review')
  async sign(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const rowId = id.slice(0, ID_LENGTH_MAX);
    await this.#pages.sign(this.#page(id), { request, reply }, async (fields) => {
      const { investigated: cause, userName, password } = readInvestigated(fields);
      const who = signerOf(request.caller, userName, password);
      const answer = await this.#causes.sign(rowId, cause, who);
      mustBeSigned(answer, rowId);
      return signedAt(causePath(rowId), answer.signature);
    });
  }

  #page(id: string): SignedPage<CauseView> {
    return {
      load: async () => (id.length > ID_LENGTH_MAX ? null : this.#causes.show(id)),
      missing: 'no result has this id',
      right: 'result.review',
      signing: this.#causes,
      arrived: SIGNED,
      render: renderCause,
    };
  }
}
