import { Controller, Get, Query, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { GatewaySite, RequireRight } from '../access/access.guard.js';
import { addMs, type Instant, parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { Clock } from '../storage/clock.js';
import { ReconciliationService } from './reconciliation.service.js';
import { discrepanciesCsv, reconciliationJson } from './reconciliation-report.js';

/** Results may be measured a little ahead of our clock; the open end of a period includes them. */
const OPEN_END_AHEAD_MS = 24 * 3_600_000;

@Controller('api/v1/reconciliation')
export class ReconciliationController {
  constructor(
    private readonly reconciliation: ReconciliationService,
    private readonly gateway: GatewaySite,
    private readonly clock: Clock,
  ) {}

  @Get()
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
    const report = await this.reconciliation.report(
      this.gateway.site,
      from === undefined ? (0 as Instant) : readInstant('from', from),
      to === undefined ? addMs(this.clock.now(), OPEN_END_AHEAD_MS) : readInstant('to', to),
    );
    if (format === undefined || format === 'json') {
      await reply.header('content-type', 'application/json').send(reconciliationJson(report));
    } else if (format === 'csv') {
      await reply.header('content-type', 'text/csv; charset=utf-8').send(discrepanciesCsv(report));
    } else {
      throw new Problem('query-invalid', `format: expected json or csv, found ${format}`);
    }
  }
}

function readInstant(name: string, text: string): Instant {
  const parsed = parseTimestamp(text);
  if (!parsed)
    throw new Problem('query-invalid', `${name}: expected an RFC 3339 date-time with offset`);
  return parsed.instant;
}
