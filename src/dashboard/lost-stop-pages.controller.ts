import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { LostStopView } from '../statements/lost-stop.js';
import { readLostStop } from '../statements/lost-stop.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { renderLostStops } from './lost-stops.page.js';
import { LOST_STOPS_SOURCE, type LostStopsSource } from './lost-stops-source.js';
import { PageSite } from './page-site.js';
import { lostStopsPath } from './receipt-path.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const RECEIPT_ID_LENGTH_MAX = 200;

const SIGNED = signedHere(
  'The stops are acknowledged. The signature stands below, and in the trail.',
  (view: LostStopView) => view.signatures,
);

/** Stops of a receipt that a restore of the database lost, and the form that acknowledges them. */
@Controller('/receipts')
export class LostStopPagesController {
  readonly #stops: LostStopsSource;
  readonly #pages: SignedPages;

  constructor(@Inject(LOST_STOPS_SOURCE) stops: LostStopsSource, site: PageSite, clock: Clock) {
    this.#stops = stops;
    this.#pages = new SignedPages(site, clock);
  }

  @Get(':id/stops/lost')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.show(this.#page(id), { request, reply }, done);
  }

  @Post(':id/stops/lost')
  @RequireRight('stop.lift')
  async acknowledge(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const receiptId = id.slice(0, RECEIPT_ID_LENGTH_MAX);
    await this.#pages.sign(this.#page(id), { request, reply }, async (fields) => {
      const asked = readLostStop(fields);
      const who = signerOf(request.caller, asked.userName, asked.password);
      const answer = await this.#stops.acknowledge(receiptId, asked.request, who);
      mustBeSigned(answer, receiptId, 'receipt');
      return signedAt(lostStopsPath(receiptId), answer.signature);
    });
  }

  #page(id: string): SignedPage<LostStopView> {
    return {
      load: async () => (id.length > RECEIPT_ID_LENGTH_MAX ? null : this.#stops.show(id)),
      missing: 'no announced receipt has this id',
      right: 'stop.lift',
      signing: this.#stops,
      arrived: SIGNED,
      render: renderLostStops,
    };
  }
}
