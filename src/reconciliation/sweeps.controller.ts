import { Controller, Get, HttpCode, Param, Post, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { AccountsService } from '../access/accounts.service.js';
import { actingPerson } from '../access/acting-person.service.js';
import { actorOf } from '../access/caller.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { readReason } from '../access/read-reason.js';
import { type Instant, parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { DestinationWatch } from './destination-watch.service.js';
import { SweepRequests } from './sweep-requests.service.js';

/** Sweeps of what a destination holds: put down here, worked on by whoever works. */
@Controller('api/v1/destinations')
export class SweepsController {
  constructor(
    private readonly sweeps: SweepRequests,
    private readonly watch: DestinationWatch,
    private readonly accounts: AccountsService,
  ) {}

  /** What a destination said of itself last, and what of it is approved. */
  @Get(':name/description')
  @RequireRight('pages.read')
  async description(@Param('name') name: string): Promise<unknown> {
    const row = (await this.watch.list()).find((w) => w.destination === name);
    if (row === undefined) throw new Problem('not-found', `nothing of ${name} is watched`);
    return {
      hold: row.hold,
      difference: row.difference,
      approved:
        row.approved_document === null ? null : (JSON.parse(row.approved_document) as unknown),
      seen: row.seen_document === null ? null : (JSON.parse(row.seen_document) as unknown),
      seenDigest: row.seen_digest,
      detail: row.detail,
    };
  }

  /** A person approves what the destination says of itself. It is no signature. */
  @Post(':name/approve')
  @HttpCode(200)
  @RequireRight('destination.pause', { provesPerson: true })
  async approve(
    @Param('name') name: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const reason = readReason(fields);
    const digest = typeof fields['digest'] === 'string' ? fields['digest'] : null;
    const { caller } = request;
    const actor = await actingPerson(this.accounts, caller, 'destination.pause', fields);
    const approved = await this.watch.approve(name, { digest, reason, actor });
    switch (approved) {
      case 'approved':
        return { name, approved: true };
      case 'unknown':
        throw new Problem('not-found', `nothing of ${name} is watched`);
      case 'unread':
        throw new Problem('query-invalid', `${name} has not said anything of itself yet`);
      case 'other-seen':
        throw new Problem('query-invalid', 'digest: the destination says something else by now');
    }
  }

  @Post(':name/sweeps')
  @HttpCode(202)
  @RequireRight('destination.pause')
  async request(
    @Param('name') name: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const period = { from: readInstant(fields, 'from'), to: readInstant(fields, 'to') };
    if (period.from >= period.to) throw new Problem('query-invalid', 'from: expected before to');
    const put = await this.sweeps.request(name, period, actorOf(request.caller));
    if (put.ok) return put.sweep;
    switch (put.reason) {
      case 'unknown':
        throw new Problem('not-found', `the site has no destination ${name}`);
      case 'not-listed':
        throw new Problem('query-invalid', `the mapping of ${name} declares no list`);
      case 'too-new':
        throw new Problem(
          'query-invalid',
          'to: what was sent so lately may not be visible there yet; ask for an earlier period',
        );
    }
  }

  @Get(':name/sweeps')
  @RequireRight('pages.read')
  async recent(@Param('name') name: string): Promise<unknown> {
    return { sweeps: await this.sweeps.recent(name) };
  }

  @Get(':name/sweeps/:id')
  @RequireRight('pages.read')
  async one(@Param('name') name: string, @Param('id') id: string): Promise<unknown> {
    const sweep = await this.sweeps.one(name, id);
    if (sweep === null) throw new Problem('not-found', `${name} has no sweep ${id}`);
    return sweep;
  }
}

function readInstant(fields: Readonly<Record<string, unknown>>, name: string): Instant {
  const text = fields[name];
  const instant = typeof text === 'string' ? parseTimestamp(text)?.instant : undefined;
  if (instant === undefined) {
    throw new Problem('query-invalid', `${name}: expected an RFC 3339 date-time with offset`);
  }
  return instant;
}
