import { Controller, Get, Inject, Param, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Clock } from '../storage/clock.js';
import { renderInstrument, renderNoInstrument } from './instrument.page.js';
import { renderInstruments } from './instrument-list.page.js';
import { INSTRUMENTS_SOURCE, type InstrumentsSource } from './instruments-source.js';
import { moment } from './local-time.js';
import { PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { signedInOf } from './signed-in.js';

const HEADERS = { ...PAGE_HEADERS, 'content-type': 'text/html; charset=utf-8' };
const SERIAL_MAX = 100;

/** Instruments for people: when each was heard, and how it performs against its reference standards. */
@Controller('/instruments')
export class InstrumentPagesController {
  readonly #instruments: InstrumentsSource;

  constructor(
    @Inject(INSTRUMENTS_SOURCE) instruments: InstrumentsSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#instruments = instruments;
  }

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const page = renderInstruments(await this.#instruments.list(), this.#frame(request));
    await reply.headers(HEADERS).send(page);
  }

  @Get(':serial')
  @RequireRight('pages.read', { isForMachine: true })
  async one(
    @Param('serial') serial: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const view = await this.#instruments.of(serial.slice(0, SERIAL_MAX));
    const frame = this.#frame(request);
    if (view === null) {
      await reply.status(404).headers(HEADERS).send(renderNoInstrument(frame));
      return;
    }
    await reply.headers(HEADERS).send(renderInstrument(view, frame));
  }

  #frame({ caller }: AuthenticatedRequest) {
    const site = this.site.view;
    const asOf = moment(this.clock.now(), site.timeZone);
    return { site, asOf, signedIn: signedInOf(caller) };
  }
}
