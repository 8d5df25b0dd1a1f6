import { Controller, Get, Param, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { explainRule } from '../checks/explain.js';
import { listRules } from '../checks/rule-list.js';
import { Problem } from '../problem-details.js';
import { Clock } from '../storage/clock.js';
import { renderCheck, renderCheckList } from './check.page.js';
import { PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';

const HEADERS = { ...PAGE_HEADERS, 'content-type': 'text/html; charset=utf-8' };

/** What the codes of findings mean. */
@Controller('/checks')
export class ChecksController {
  constructor(
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {}

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    await reply
      .headers(HEADERS)
      .send(renderCheckList(listRules(), this.site.frame(request.caller, this.clock.now())));
  }

  @Get(':code')
  @RequireRight('pages.read', { isForMachine: true })
  async check(
    @Param('code') code: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const explanation = explainRule(code);
    if (explanation === null) throw new Problem('not-found', 'no check has this code');
    await reply
      .headers(HEADERS)
      .send(renderCheck(explanation, this.site.frame(request.caller, this.clock.now())));
  }
}
