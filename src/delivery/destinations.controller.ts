import { Controller, Get, HttpCode, Param, Post, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireScope } from '../access/api-key.guard.js';
import { actorOf } from '../access/caller-actor.js';
import { readJsonFields, readReason } from '../access/json-body.files.js';
import { Problem } from '../problem-details.js';
import { DestinationControl } from './destination-control.service.js';

@Controller('api/v1/destinations')
export class DestinationsController {
  constructor(private readonly control: DestinationControl) {}

  @Get()
  @RequireScope('read')
  async list(): Promise<unknown> {
    return { destinations: await this.control.list() };
  }

  @Post(':name/pause')
  @HttpCode(200)
  @RequireScope('control')
  async pause(@Param('name') name: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const reason = readReason(await readJsonFields(request));
    const pause = await this.control.pause(name, reason, actorOf(request.caller));
    return { name, ...found(name, pause) };
  }

  @Post(':name/resume')
  @HttpCode(200)
  @RequireScope('control')
  async resume(
    @Param('name') name: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const reason = readReason(await readJsonFields(request));
    const pause = await this.control.resume(name, reason, actorOf(request.caller));
    return { name, ...found(name, pause) };
  }
}

function found<T>(name: string, value: T | null): T {
  if (value === null) throw new Problem('not-found', `the site has no destination ${name}`);
  return value;
}
