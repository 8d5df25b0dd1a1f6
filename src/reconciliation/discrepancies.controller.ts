import { Controller, Get, HttpCode, Param, Post, Query, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { readJsonObject } from '../access/read-json-object.files.js';
import { formatInstant } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { DiscrepanciesService, type DiscrepancyAct } from './discrepancies.service.js';
import { type QueryFields, readDiscrepancyQuery } from './discrepancy-query.js';
import { readableDiscrepancy } from './reconciliation-report.js';
import { ReconciliationZone } from './reconciliation-zone.js';

const BODY_BYTES_MAX = 16_384;

@Controller('api/v1/discrepancies')
export class DiscrepanciesController {
  constructor(
    private readonly discrepancies: DiscrepanciesService,
    private readonly zone: ReconciliationZone,
  ) {}

  @Get()
  @RequireRight('pages.read')
  async list(@Query() fields: QueryFields): Promise<unknown> {
    const { items, next } = await this.discrepancies.page(this.#read(fields));
    return { items: items.map(readableDiscrepancy), next };
  }

  /** The same, counted by cause. */
  @Get('groups')
  @RequireRight('pages.read')
  async groups(@Query() fields: QueryFields): Promise<unknown> {
    const groups = await this.discrepancies.groups(this.#read(fields).filter);
    return { groups: groups.map((g) => ({ ...g, oldestAt: formatInstant(g.oldestAt) })) };
  }

  @Get(':id')
  @RequireRight('pages.read')
  async one(@Param('id') id: string): Promise<unknown> {
    const found = await this.discrepancies.find(id);
    if (found === null) throw unknownDiscrepancy(id);
    const history = found.history.map((s) => ({ ...s, at: formatInstant(s.at) }));
    return { ...readableDiscrepancy(found), history };
  }

  @Post(':id/comments')
  @HttpCode(200)
  @RequireRight('discrepancy.comment')
  async comment(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const body = await readJsonObject(request, BODY_BYTES_MAX);
    const reference = body['reference'] ?? null;
    if (typeof body['text'] !== 'string' || (reference !== null && typeof reference !== 'string')) {
      throw new Problem('query-invalid', 'expected {"text": "…"}, and "reference" as text if any');
    }
    const said = { text: body['text'], reference };
    return answer(await this.discrepancies.comment(id, said, actorOf(request.caller)), id);
  }

  @Post(':id/owner')
  @HttpCode(200)
  @RequireRight('discrepancy.comment')
  async assign(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const body = await readJsonObject(request, BODY_BYTES_MAX);
    const { owner, reason } = body;
    if ((owner !== null && typeof owner !== 'string') || typeof reason !== 'string') {
      throw new Problem('query-invalid', 'expected {"owner": "person:…" or null, "reason": "…"}');
    }
    return answer(await this.discrepancies.assign(id, owner, reason, actorOf(request.caller)), id);
  }

  #read(fields: QueryFields) {
    const query = readDiscrepancyQuery(fields, this.zone.timeZone);
    if (typeof query === 'string') throw new Problem('query-invalid', query);
    return query;
  }
}

function answer(act: DiscrepancyAct, id: string): unknown {
  switch (act.kind) {
    case 'done':
      return { id };
    case 'unknown':
      throw unknownDiscrepancy(id);
    case 'closed':
      throw new Problem('discrepancy-closed', `discrepancy ${id} is closed`);
    case 'refused':
      throw new Problem('query-invalid', act.fault);
  }
}

function unknownDiscrepancy(id: string): Problem {
  return new Problem('not-found', `no discrepancy ${id.slice(0, 100)}`);
}
