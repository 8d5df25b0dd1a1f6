import { Controller, Get, HttpCode, Param, Post, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { readReason } from '../access/read-reason.js';
import { Problem } from '../problem-details.js';
import { DestinationControl } from './destination-control.service.js';

@Controller('api/v1/destinations')
export class DestinationsController {
  constructor(private readonly control: DestinationControl) {}

  @Get()
  @RequireRight('pages.read')
  async list(): Promise<unknown> {
    return { destinations: await this.control.list() };
  }

  @Post(':name/pause')
  @HttpCode(200)
  @RequireRight('destination.pause')
  async pause(@Param('name') name: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const reason = readReason(fieldsOf(await readJsonBody(request.raw)));
    const pause = await this.control.pause(name, reason, actorOf(request.caller));
    return { name, ...found(name, pause) };
  }

  @Post(':name/resume')
  @HttpCode(200)
  @RequireRight('destination.pause')
  async resume(
    @Param('name') name: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const reason = readReason(fieldsOf(await readJsonBody(request.raw)));
    const pause = await this.control.resume(name, reason, actorOf(request.caller));
    return { name, ...found(name, pause) };
  }
}

function found<T>(name: string, value: T | null): T {
  if (value === null) throw new Problem('not-found', `the site has no destination ${name}`);
  return value;
}
