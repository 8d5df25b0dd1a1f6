import { Controller, Get, Header, Inject, Param, Query, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import type { QueryFields } from '../reconciliation/discrepancy-query.js';
import { renderDayPage } from './day.page.js';
import { renderDiscrepancyList, renderDiscrepancyPage } from './discrepancy.page.js';
import { renderNoDay, renderUnknownReceipt } from './message.page.js';
import { ICON, ICON_FILE, STYLE, STYLE_FILE } from './page-style.js';
import { renderReceiptPage } from './receipt.page.js';
import { DAY_VIEW_SOURCE, type DayViewSource } from './view-source.js';

/** Pages load their own stylesheet and icon and nothing else; no script runs, no form leaves. */
export const PAGE_POLICY =
  "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/** What every page goes out with, also one that says why there is none. */
export const PAGE_HEADERS = {
  'content-security-policy': PAGE_POLICY,
  'cache-control': 'no-store',
  'x-content-type-options': 'nosniff',
  'referrer-policy': 'same-origin',
} as const;

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
  @RequireRight('pages.read')
  @Header('content-type', HTML)
  @Header('content-security-policy', PAGE_POLICY)
  @Header('cache-control', 'no-store')
  @Header('x-content-type-options', 'nosniff')
  @Header('referrer-policy', 'same-origin')
  async day(): Promise<string> {
    const view = await this.#source.load();
    if (view === null) throw new Error('the clock shows no calendar day');
    return renderDayPage(view);
  }

  @Get('/days/:day')
  @RequireRight('pages.read')
  @Header('content-type', HTML)
  @Header('content-security-policy', PAGE_POLICY)
  @Header('cache-control', 'no-store')
  @Header('x-content-type-options', 'nosniff')
  @Header('referrer-policy', 'same-origin')
  async anyDay(
    @Param('day') day: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<string> {
    const view = day.length > DAY_LENGTH ? null : await this.#source.load(day);
    if (view !== null) return renderDayPage(view);
    reply.status(404);
    return renderNoDay(day.slice(0, RECEIPT_ID_LENGTH_MAX));
  }

  @Get('/discrepancies')
  @RequireRight('pages.read')
  @Header('content-type', HTML)
  @Header('content-security-policy', PAGE_POLICY)
  @Header('cache-control', 'no-store')
  @Header('x-content-type-options', 'nosniff')
  @Header('referrer-policy', 'same-origin')
  async discrepancies(@Query() fields: QueryFields): Promise<string> {
    const view = await this.#source.loadDiscrepancies(fields);
    if (typeof view === 'string') throw new Problem('query-invalid', view);
    return renderDiscrepancyList(view);
  }

  @Get('/discrepancies/:id')
  @RequireRight('pages.read')
  @Header('content-type', HTML)
  @Header('content-security-policy', PAGE_POLICY)
  @Header('cache-control', 'no-store')
  @Header('x-content-type-options', 'nosniff')
  @Header('referrer-policy', 'same-origin')
  async discrepancy(@Param('id') id: string): Promise<string> {
    const view = id.length > RECEIPT_ID_LENGTH_MAX ? null : await this.#source.loadDiscrepancy(id);
    if (view === null) throw new Problem('not-found', 'there is no such discrepancy');
    return renderDiscrepancyPage(view);
  }

  @Get('/receipts/:id')
  @RequireRight('pages.read')
  @Header('content-type', HTML)
  @Header('content-security-policy', PAGE_POLICY)
  @Header('cache-control', 'no-store')
  @Header('x-content-type-options', 'nosniff')
  @Header('referrer-policy', 'same-origin')
  async receipt(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<string> {
    const view = id.length > RECEIPT_ID_LENGTH_MAX ? null : await this.#source.loadReceipt(id);
    if (view !== null) return renderReceiptPage(view);
    reply.status(404);
    return renderUnknownReceipt(id.slice(0, RECEIPT_ID_LENGTH_MAX));
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
