import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { readLostStop } from '../statements/lost-stop.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { formSigner } from './form-signer.js';
import { renderLostStops } from './lost-stops.page.js';
import { LOST_STOPS_SOURCE, type LostStopsSource } from './lost-stops-source.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { lostStopsPath } from './receipt-path.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';

const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedSaid(
  'The stops are acknowledged. The signature stands below, and in the trail.',
);

/** Stops of a receipt that a restore of the database lost, and the form that acknowledges them. */
@Controller('/receipts')
export class LostStopPagesController {
  readonly #stops: LostStopsSource;

  constructor(
    @Inject(LOST_STOPS_SOURCE) stops: LostStopsSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#stops = stops;
  }

  @Get(':id/stops/lost')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, done === 'signed' ? SIGNED : NOTHING_SAID);
  }

  @Post(':id/stops/lost')
  @RequireRight('stop.lift')
  async acknowledge(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const asked = readLostStop(fields);
        const who = signerOf(request.caller, asked.userName, asked.password);
        const answer = await this.#stops.acknowledge(receiptId, asked.request, who);
        mustBeSigned(answer, receiptId, 'receipt');
        return signedAt(lostStopsPath(receiptId));
      },
      show: (said) => this.#show(id, request, reply, said),
    });
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
  ): Promise<void> {
    const view = id.length > RECEIPT_ID_LENGTH_MAX ? null : await this.#stops.show(id);
    if (view === null) throw new Problem('not-found', 'no announced receipt has this id');
    const page = renderLostStops({
      view,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'stop.lift', this.#stops),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
