import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { signCause } from './assigned-cause.controller.js';
import { InstrumentPerformance } from './instrument-performance.service.js';
import { PerformanceCauseService } from './performance-cause.service.js';

const ID_MAX = 100;

/** How instruments perform, and the signed cause of a check that failed. */
@Controller('api/v1')
export class PerformanceController {
  constructor(
    private readonly performance: InstrumentPerformance,
    private readonly causes: PerformanceCauseService,
  ) {}

  @Get('instruments/:serial/performance')
  @RequireRight('pages.read')
  async trend(@Param('serial') serial: string): Promise<unknown> {
    const found = await this.performance.of(serial.slice(0, ID_MAX));
    if (found === null) throw new Problem('not-found', 'no instrument has this serial');
    return found;
  }

  @Get('performance-checks/:id/cause')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = await this.causes.show(id.slice(0, ID_MAX));
    if (view === null) throw new Problem('not-found', 'no performance check has this id');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post('performance-checks/:id/cause')
  @HttpCode(200)
  @RequireRight('result.review', { provesPerson: true })
  async sign(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    return signCause(request, id.slice(0, ID_MAX), this.causes);
  }
}
