import { Controller, Get, HttpCode, Param, Post, Query, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { readJsonObject } from '../access/read-json-object.files.js';
import { formatInstant, type Instant, parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { ReconciliationZone } from '../reconciliation/reconciliation-zone.js';
import { siteDay } from '../reconciliation/site-day.js';
import { signatureManifest } from '../signatures/signature.js';
import { signerOf } from '../statements/review-request.js';
import type { PeriodRow } from '../storage/tables.js';
import { type ClosingAnswer, PeriodsService } from './periods.service.js';

const BODY_BYTES_MAX = 20_000;

/** Periods: what would be signed is looked at by GET, closed by POST of the digest that was shown. */
@Controller('api/v1/periods')
export class PeriodsController {
  constructor(
    private readonly periods: PeriodsService,
    private readonly zone: ReconciliationZone,
  ) {}

  /** Closed periods, the latest first. */
  @Get()
  @RequireRight('pages.read')
  async list(): Promise<unknown> {
    return { periods: (await this.periods.list()).map(summary) };
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

  @Get(':id')
  @RequireRight('pages.read')
  async one(@Param('id') id: string): Promise<unknown> {
    const found = await this.periods.find(id);
    if (found === null) throw new Problem('not-found', 'no period has this id');
    return {
      ...summary(found),
      document: JSON.parse(found.document) as unknown,
      addenda: found.addenda.map((a) => ({
        number: a.number,
        openedAt: formatInstant(a.opened_at),
        closedAt: a.closed_at === null ? null : formatInstant(a.closed_at),
        signature: a.signature,
        digest: a.digest,
        changes: a.changes.map((c) => ({
          at: formatInstant(c.at),
          subject: c.subject,
          detail: c.detail,
        })),
      })),
    };
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
    const { timeZone } = this.zone;
    const start = siteDay(from ?? '', timeZone)?.from ?? instant('from', from);
    const end = siteDay(to ?? '', timeZone)?.to ?? instant('to', to);
    return { from: start, to: end };
  }
}

function instant(name: string, text: string | undefined): Instant {
  const parsed = parseTimestamp(text ?? '');
  if (parsed) return parsed.instant;
  throw new Problem('query-invalid', `${name}: expected a day or an RFC 3339 date-time`);
}

function body(request: AuthenticatedRequest) {
  return readJsonObject(request.raw, BODY_BYTES_MAX);
}

function readClosing(fields: Readonly<Record<string, unknown>>, request: AuthenticatedRequest) {
  const { shown, reason, userName, password } = fields;
  if (typeof shown !== 'string' || !/^[0-9a-f]{64}$/.test(shown)) {
    throw new Problem('query-invalid', 'shown: expected the SHA-256 of what was shown');
  }
  if (typeof reason !== 'string') throw new Problem('query-invalid', 'reason: expected a text');
  if (typeof password !== 'string') throw new Problem('query-invalid', 'password: expected a text');
  const name = typeof userName === 'string' && userName.trim() !== '' ? userName.trim() : null;
  return {
    closing: { shownSha256: shown, reason },
    who: signerOf(request.caller, name, password),
  };
}

function answered(answer: ClosingAnswer): unknown {
  switch (answer.kind) {
    case 'closed':
      return { id: answer.id, signature: signatureManifest(answer.signature) };
    case 'unknown':
      throw new Problem('not-found', 'no open addendum has this number');
    case 'not-closable':
      throw new Problem('period-refused', answer.message, { rule: answer.rule });
    case 'not-proven':
      throw new Problem('signature-not-proven', answer.why, { why: answer.why });
    case 'refused':
      throw new Problem(answer.why, answer.detail);
  }
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
