import { Controller, Get, HttpCode, Post, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { readReason } from '../access/read-reason.js';
import { Problem } from '../problem-details.js';
import { InstanceActs } from './instance-acts.service.js';

/** Which life of the database runs, and what a person decides about it. */
@Controller('api/v1/instance')
export class InstanceController {
  constructor(private readonly acts: InstanceActs) {}

  @Get()
  @RequireRight('pages.read')
  async state(): Promise<unknown> {
    return await this.acts.state();
  }

  @Post('resume')
  @HttpCode(200)
  @RequireRight('control')
  async resume(@Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request));
    const resumed = await this.acts.resume({
      reason: readReason(fields),
      actor: actorOf(request.caller),
      unheardIsKnown: fields['unheardIsKnown'] === true,
    });
    if (resumed.ok) return resumed.state;
    if (resumed.reason === 'not-recovering') {
      throw new Problem('not-recovering', 'the gateway is not paused after a restore');
    }
    const { notReadBack, readBackNotBefore, unanswered, unheardInstruments } = resumed.state;
    const when = readBackNotBefore === null ? '' : ` (not before ${readBackNotBefore})`;
    const open = [
      ...(notReadBack.length > 0 ? [`not read back: ${notReadBack.join(', ')}${when}`] : []),
      ...(unanswered > 0 ? [`${unanswered} deliveries without an answer`] : []),
      ...(unheardInstruments.length > 0
        ? [`not heard from since: ${unheardInstruments.join(', ')}`]
        : []),
    ];
    throw new Problem('read-backs-open', open.join('; '), { state: resumed.state });
  }

  /** Keeps in the trail that a backup was made; `drumline backup` makes it. */
  @Post('backups')
  @HttpCode(200)
  @RequireRight('control')
  async backup(@Req() request: AuthenticatedRequest): Promise<unknown> {
    const { sha256, bytes } = fieldsOf(await readJsonBody(request));
    if (typeof sha256 !== 'string' || !/^[0-9a-f]{64}$/.test(sha256) || typeof bytes !== 'number') {
      throw new Problem('query-invalid', 'expected the sha256 and the bytes of the backup');
    }
    await this.acts.noteBackup({ sha256, bytes }, actorOf(request.caller));
    return { noted: true };
  }
}
