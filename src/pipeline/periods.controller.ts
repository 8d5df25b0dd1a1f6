import { Controller, Get, HttpCode, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { readJsonObject } from '../access/read-json-object.files.js';
import { formatInstant } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import type { ClosedPeriod } from '../reconciliation/period-days.js';
import { writePeriod } from '../reconciliation/period-forms.files.js';
import { readPeriod } from '../reconciliation/period-query.js';
import { ReconciliationZone } from '../reconciliation/reconciliation-zone.js';
import { readReportFormat } from '../reconciliation/report-forms.files.js';
import { siteDay } from '../reconciliation/site-day.js';
import { signatureManifest } from '../signatures/signature.js';
import { type ClosingAnswer, mustBeClosed } from '../statements/period-view.js';
import { REASON_MAX, readSignedText, signerOf } from '../statements/review-request.js';
import type { PeriodRow } from '../storage/tables.js';
import { PeriodViews } from './period-views.service.js';
import { PeriodsService } from './periods.service.js';

const BODY_BYTES_MAX = 20_000;

/** Periods: what would be signed is looked at by GET, closed by POST of the digest that was shown. */
@Controller('api/v1/periods')
export class PeriodsController {
  constructor(
    private readonly periods: PeriodsService,
    private readonly views: PeriodViews,
    private readonly zone: ReconciliationZone,
  ) {}

  /** Closed periods, the latest first. */
  @Get()
  @RequireRight('pages.read')
  async list(): Promise<unknown> {
    return { periods: (await this.periods.list()).map(summary) };
  }

  /** Days before one (`YYYY-MM-DD`), up to today when none is named, with what is closed of each. */
  @Get('days')
  @RequireRight('pages.read')
  async days(@Query('before') before: string | undefined): Promise<unknown> {
    if (before !== undefined && siteDay(before, this.zone.timeZone) === null) {
      throw new Problem('query-invalid', 'before: expected a day (2026-11-25)');
    }
    const { days, others, next } = await this.views.days(before ?? null);
    return {
      timeZone: this.zone.timeZone,
      days: days.map(({ day, state, hours, results, periods }) => ({
        day,
        state,
        hours,
        results,
        periods: periods.map(closedPeriod),
      })),
      others: others.map(closedPeriod),
      next,
    };
  }

  /** What closing this period would sign now, or the rule that stands in the way. */
  @Get('proposal')
  @RequireRight('pages.read')
  async proposal(
    @Query('from') from: string | undefined,
    @Query('to') to: string | undefined,
  ): Promise<unknown> {
    const proposal = await this.periods.propose(this.#read(from, to));
    if ('rule' in proposal) {
      throw new Problem('period-refused', proposal.message, { rule: proposal.rule });
    }
    return proposal;
  }

  /** One closed period with its addenda, as JSON or in any form of a report. */
  @Get(':id')
  @RequireRight('pages.read')
  async one(
    @Param('id') id: string,
    @Query('format') format: string | undefined,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const form = readReportFormat(format);
    const report = await this.views.report(id);
    if (report === null) throw new Problem('not-found', 'no period has this id');
    const { type, body } = await writePeriod(report, form);
    await reply.header('content-type', type).header('cache-control', 'no-store').send(body);
  }

  @Post()
  @HttpCode(200)
  @RequireRight('period.close', { provesPerson: true })
  async close(
    @Query('from') from: string | undefined,
    @Query('to') to: string | undefined,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const { closing, who } = readClosing(await body(request), request);
    return answered(await this.periods.close(this.#read(from, to), closing, who));
  }

  @Post(':id/addenda/:number')
  @HttpCode(200)
  @RequireRight('period.close', { provesPerson: true })
  async closeAddendum(
    @Param('id') id: string,
    @Param('number') number: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const { closing, who } = readClosing(await body(request), request);
    return answered(await this.periods.closeAddendum(id, Number(number), closing, who));
  }

  /** What an open addendum would sign now. */
  @Get(':id/addenda/:number')
  @RequireRight('pages.read')
  async addendum(@Param('id') id: string, @Param('number') number: string): Promise<unknown> {
    const proposal = await this.periods.proposeAddendum(id, Number(number));
    if (proposal === null) throw new Problem('not-found', 'no open addendum has this number');
    return proposal;
  }

  #read(from: string | undefined, to: string | undefined) {
    return readPeriod(from, to, this.zone.timeZone);
  }
}

function body(request: AuthenticatedRequest) {
  return readJsonObject(request, BODY_BYTES_MAX);
}

function readClosing(fields: Readonly<Record<string, unknown>>, request: AuthenticatedRequest) {
  const { shownSha256, text, userName, password } = readSignedText(fields, 'reason', REASON_MAX);
  return {
    closing: { shownSha256, reason: text },
    who: signerOf(request.caller, userName, password),
  };
}

function answered(answer: ClosingAnswer): unknown {
  mustBeClosed(answer);
  return { id: answer.id, signature: signatureManifest(answer.signature) };
}

function closedPeriod({ id, from, to, signedAddenda, openAddendum }: ClosedPeriod) {
  return { id, from: formatInstant(from), to: formatInstant(to), signedAddenda, openAddendum };
}

function summary(row: PeriodRow) {
  return {
    id: row.id,
    from: formatInstant(row.from_at),
    to: formatInstant(row.to_at),
    digest: row.digest,
    closedAt: formatInstant(row.closed_at),
    closedBy: row.closed_by,
    signature: row.signature,
    reason: row.reason,
  };
}
