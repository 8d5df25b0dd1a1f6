import { Controller, Get, HttpCode, Param, Post, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { readReason } from '../access/read-reason.js';
import { Problem } from '../problem-details.js';
import {
  DestinationControl,
  type PauseAct,
  type PauseAnswer,
} from './destination-control.service.js';
import { pauseInWords } from './pause.js';

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
    return answered(name, await this.control.pause(name, await readAct(request)));
  }

  @Post(':name/resume')
  @HttpCode(200)
  @RequireRight('destination.pause')
  async resume(
    @Param('name') name: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    return answered(name, await this.control.resume(name, await readAct(request)));
  }
}

async function readAct(request: AuthenticatedRequest): Promise<PauseAct> {
  const fields = fieldsOf(await readJsonBody(request));
  const { digest = null } = fields;
  if (digest !== null && typeof digest !== 'string') {
    throw new Problem('query-invalid', 'digest: expected the pauseDigest that was shown');
  }
  return { reason: readReason(fields), actor: actorOf(request.caller), digest };
}

function answered(name: string, answer: PauseAnswer | null): unknown {
  if (answer === null) throw new Problem('not-found', `the site has no destination ${name}`);
  if (!answer.ok) {
    throw new Problem('pause-changed', `${name} is ${pauseInWords(answer.pause)}`);
  }
  return { name, ...answer.pause };
}
