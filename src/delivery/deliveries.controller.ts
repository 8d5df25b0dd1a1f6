import { Controller, Get, HttpCode, Param, Post, Query, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { AccountsService } from '../access/accounts.service.js';
import { actingPerson } from '../access/acting-person.service.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { readReason } from '../access/read-reason.js';
import { Problem } from '../problem-details.js';
import { DeliveryActs } from './delivery-acts.service.js';
import {
  actProblem,
  BULK_MAX,
  readAct,
  readNamedDeliveries,
  readVersion,
} from './delivery-request.js';

/** Deliveries that stopped, and what a person has done with them. */
@Controller('api/v1/deliveries')
export class DeliveriesController {
  constructor(
    private readonly deliveries: DeliveryActs,
    private readonly accounts: AccountsService,
  ) {}

  @Get()
  @RequireRight('pages.read')
  async list(@Query() query: Readonly<Record<string, unknown>>): Promise<unknown> {
    const limit = readLimit(query['limit']);
    const shown = await this.deliveries.list({
      destination: textOf(query, 'destination'),
      fault: textOf(query, 'fault'),
      after: textOf(query, 'after'),
      limit,
    });
    return {
      counts: await this.deliveries.counts(),
      deliveries: shown,
      after: shown.length < limit ? null : (shown.at(-1)?.id ?? null),
    };
  }

  @Get(':id')
  @RequireRight('pages.read')
  async one(@Param('id') id: string): Promise<unknown> {
    const page = await this.deliveries.show(id);
    if (page === null) throw new Problem('not-found', `no delivery has the id ${id}`);
    return page;
  }

  /** The same act for several, each by itself: what was done with one stands, whatever another is refused for. */
  @Post('acts')
  @HttpCode(200)
  @RequireRight('delivery.resend', { provesPerson: true })
  async many(@Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const act = readAct(fields['act']);
    const reason = readReason(fields);
    const named = readNamedDeliveries(fields['deliveries']);
    const actor = await actingPerson(this.accounts, request.caller, 'delivery.resend', fields);
    return { act, deliveries: await this.deliveries.actOnAll(named, { act, reason, actor }) };
  }

  @Post(':id/:act')
  @HttpCode(200)
  @RequireRight('delivery.resend', { provesPerson: true })
  async act(
    @Param('id') id: string,
    @Param('act') named: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const act = readAct(named);
    const fields = fieldsOf(await readJsonBody(request));
    const reason = readReason(fields);
    const version = readVersion(fields);
    const actor = await actingPerson(this.accounts, request.caller, 'delivery.resend', fields);
    const answer = await this.deliveries.act(id, { act, version, reason, actor });
    const problem = actProblem(answer, id);
    if (problem !== null) throw problem;
    if (answer.kind !== 'done') throw new Error('an act that is no problem was done');
    const { done, deliveryId, isRepeated } = answer;
    return { id, act, done, deliveryId, isRepeated };
  }
}

function textOf(query: Readonly<Record<string, unknown>>, name: string): string | null {
  const value = query[name];
  return typeof value === 'string' && value !== '' ? value : null;
}

function readLimit(value: unknown): number {
  if (value === undefined) return BULK_MAX;
  const limit = typeof value === 'string' && /^\d{1,3}$/.test(value) ? Number(value) : 0;
  if (limit >= 1 && limit <= BULK_MAX) return limit;
  throw new Problem('query-invalid', `limit: expected a number from 1 to ${BULK_MAX}`);
}
