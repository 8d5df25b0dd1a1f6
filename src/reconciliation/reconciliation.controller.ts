import { Controller, Get, HttpCode, Param, Post, Query, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { GatewaySite, RequireRight } from '../access/access.guard.js';
import { addMs, formatInstant, type Instant, parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { Clock } from '../storage/clock.js';
import { RecomputeService } from './recompute.service.js';
import { ReconciliationService } from './reconciliation.service.js';
import {
  type ReconciliationReport,
  reconciliationCsv,
  reconciliationJson,
} from './reconciliation-report.js';
import { ReconciliationZone } from './reconciliation-zone.js';
import { reportDocument } from './report-document.js';
import { type ReportWriters, readReportFormat, writeReport } from './report-forms.files.js';
import { siteDay } from './site-day.js';

/** Results may be measured a little ahead of our clock; the open end of a period includes them. */
const OPEN_END_AHEAD_MS = 24 * 3_600_000;

@Controller('api/v1')
export class ReconciliationController {
  constructor(
    private readonly reconciliation: ReconciliationService,
    private readonly gateway: GatewaySite,
    private readonly clock: Clock,
    private readonly zone: ReconciliationZone,
    private readonly recomputation: RecomputeService,
  ) {}

  @Get('reconciliation')
  @RequireRight('pages.read')
  async report(
    @Query('site') site: string | undefined,
    @Query('from') from: string | undefined,
    @Query('to') to: string | undefined,
    @Query('format') format: string | undefined,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    if (site !== undefined && site !== this.gateway.site) {
      throw new Problem('query-invalid', `site: this gateway serves ${this.gateway.site}`);
    }
    const period = {
      from: from === undefined ? (0 as Instant) : readStart('from', from, this.zone.timeZone),
      to:
        to === undefined
          ? addMs(this.clock.now(), OPEN_END_AHEAD_MS)
          : readEnd('to', to, this.zone.timeZone),
    };
    if (period.to <= period.from) throw new Problem('query-invalid', 'to: expected after from');
    const form = readReportFormat(format);
    const report = await this.reconciliation.report(period.from, period.to);
    // Also for forms that a program does not read.
    reply.header('x-drumline-open', String(openCount(report)));
    const { type, body } = await writeReport(report, form, WRITERS);
    await reply.header('content-type', type).send(body);
  }

  /** One day: its counts all in all, by instrument, receipt and destination, and what is open at its end by cause. */
  @Get('days/:day')
  @RequireRight('pages.read')
  async day(@Param('day') day: string): Promise<unknown> {
    const period = siteDay(day, this.zone.timeZone);
    if (period === null) throw new Problem('not-found', `no calendar day ${day.slice(0, 20)}`);
    const report = await this.reconciliation.report(period.from, period.to, 0);
    const { instruments, receipts } = await this.reconciliation.breakdown({
      first: day,
      last: day,
    });
    const { groups, counts, statements, stops, from, to, generatedAt } = report;
    return {
      day,
      timeZone: this.zone.timeZone,
      from,
      to,
      generatedAt,
      counts,
      instruments: instruments.map(({ key, ...sums }) => ({ instrument: key, ...sums })),
      receipts: receipts.map(({ key, ...sums }) => ({ receiptId: key, ...sums })),
      statements,
      stops,
      groups: groups.map((g) => ({ ...g, oldestAt: formatInstant(g.oldestAt) })),
    };
  }

  /**
   * One page of a comparison from scratch with what is kept; `repair=1` stores what differs anew. The command goes
   * from page to page, so that no request takes long.
   */
  @Post('recompute')
  @HttpCode(200)
  @RequireRight('control')
  recompute(
    @Query('part') part: string | undefined,
    @Query('after') after: string | undefined,
    @Query('repair') repair: string | undefined,
  ): Promise<unknown> {
    const start =
      part === 'unowned'
        ? ({ part: 'unowned' } as const)
        : ({ part: 'receipts', after: after ?? '' } as const);
    return this.recomputation.page(start, repair === '1');
  }
}

/** Still open, among those that were at the end of the period. */
function openCount({ discrepancies, notListed }: ReconciliationReport): number {
  return discrepancies.filter((d) => d.closedAt === null).length + notListed;
}

const WRITERS: ReportWriters<ReconciliationReport> = {
  json: reconciliationJson,
  csv: reconciliationCsv,
  document: reportDocument,
};

/** A day begins the period with its first instant and ends it with its last. */
function readStart(name: string, text: string, timeZone: string): Instant {
  return siteDay(text, timeZone)?.from ?? readInstant(name, text);
}

function readEnd(name: string, text: string, timeZone: string): Instant {
  return siteDay(text, timeZone)?.to ?? readInstant(name, text);
}

function readInstant(name: string, text: string): Instant {
  const parsed = parseTimestamp(text);
  if (!parsed)
    throw new Problem(
      'query-invalid',
      `${name}: expected a day (2026-11-25) or an RFC 3339 date-time with offset`,
    );
  return parsed.instant;
}
