import { Controller, Get, Header, Inject, Param, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { renderDayPage } from './day.page.js';
import { renderNoDay, renderUnknownReceipt } from './message.page.js';
import { PAGE_POLICY } from './page-policy.js';
import { ICON, ICON_FILE, STYLE, STYLE_FILE } from './page-style.js';
import { renderReceiptPage } from './receipt.page.js';
import { signedInOf } from './signed-in.js';
import { DAY_VIEW_SOURCE, type DayViewSource } from './view-source.js';

const HTML = 'text/html; charset=utf-8';
const UNCHANGING = 'public, max-age=31536000, immutable';

const DAY_LENGTH = 'YYYY-MM-DD'.length;

/** Longer ids belong to no receipt; nothing that long is echoed. */
const RECEIPT_ID_LENGTH_MAX = 200;

@Controller()
export class DashboardController {
  readonly #source: DayViewSource;

  constructor(@Inject(DAY_VIEW_SOURCE) source: DayViewSource) {
    this.#source = source;
  }

  @Get('/')
  @RequireRight('pages.read', { isForMachine: true })
  @Header('content-type', HTML)
  @Header('content-security-policy', PAGE_POLICY)
  @Header('cache-control', 'no-store')
  @Header('x-content-type-options', 'nosniff')
  @Header('referrer-policy', 'same-origin')
  async day(@Req() request: AuthenticatedRequest): Promise<string> {
    const view = await this.#source.load();
    if (view === null) throw new Error('the clock shows no calendar day');
    return renderDayPage(view, signedInOf(request.caller));
  }

  @Get('/days/:day')
  @RequireRight('pages.read', { isForMachine: true })
  @Header('content-type', HTML)
  @Header('content-security-policy', PAGE_POLICY)
  @Header('cache-control', 'no-store')
  @Header('x-content-type-options', 'nosniff')
  @Header('referrer-policy', 'same-origin')
  async anyDay(
    @Param('day') day: string,
    @Req() request: AuthenticatedRequest,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<string> {
    const view = day.length > DAY_LENGTH ? null : await this.#source.load(day);
    if (view !== null) return renderDayPage(view, signedInOf(request.caller));
    reply.status(404);
    return renderNoDay(day.slice(0, RECEIPT_ID_LENGTH_MAX));
  }

  @Get('/receipts/:id')
  @RequireRight('pages.read', { isForMachine: true })
  @Header('content-type', HTML)
  @Header('content-security-policy', PAGE_POLICY)
  @Header('cache-control', 'no-store')
  @Header('x-content-type-options', 'nosniff')
  @Header('referrer-policy', 'same-origin')
  async receipt(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<string> {
    const view = id.length > RECEIPT_ID_LENGTH_MAX ? null : await this.#source.loadReceipt(id);
    const signedIn = signedInOf(request.caller);
    if (view !== null) return renderReceiptPage(view, signedIn);
    reply.status(404);
    return renderUnknownReceipt(id.slice(0, RECEIPT_ID_LENGTH_MAX), signedIn);
  }

  @Get(`/assets/${STYLE_FILE}`)
  @RequireRight('open')
  @Header('content-type', 'text/css; charset=utf-8')
  @Header('cache-control', UNCHANGING)
  @Header('x-content-type-options', 'nosniff')
  style(): string {
    return STYLE;
  }

  @Get(`/assets/${ICON_FILE}`)
  @RequireRight('open')
  @Header('content-type', 'image/svg+xml')
  @Header('cache-control', UNCHANGING)
  @Header('x-content-type-options', 'nosniff')
  @Header('content-security-policy', "default-src 'none'")
  icon(): string {
    return ICON;
  }
}
