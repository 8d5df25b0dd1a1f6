import { Controller, Get, Inject, Param, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Clock } from '../storage/clock.js';
import { moment } from './local-time.js';
import { renderMethod, renderMethods, renderNoMethod } from './methods.page.js';
import { METHODS_SOURCE, type MethodsSource } from './methods-source.js';
import { PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { signedInOf } from './signed-in.js';

const HEADERS = { ...PAGE_HEADERS, 'content-type': 'text/html; charset=utf-8' };

/** The method registry for people: versions, when they count, who approved them, their references. */
@Controller('/methods')
export class MethodPagesController {
  readonly #methods: MethodsSource;

  constructor(
    @Inject(METHODS_SOURCE) methods: MethodsSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#methods = methods;
  }

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const page = renderMethods(await this.#methods.list(), this.#frame(request));
    await reply.headers(HEADERS).send(page);
  }

  @Get(':id/:version')
  @RequireRight('pages.read', { isForMachine: true })
  async one(
    @Param('id') id: string,
    @Param('version') version: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const view = await this.#methods.show({ id, version });
    if (view === null) {
      await reply
        .status(404)
        .headers(HEADERS)
        .send(renderNoMethod(this.#frame(request)));
      return;
    }
    await reply.headers(HEADERS).send(renderMethod(view, this.#frame(request)));
  }

  #frame({ caller }: AuthenticatedRequest) {
    const site = this.site.view;
    const asOf = moment(this.clock.now(), site.timeZone);
    return { site, asOf, signedIn: signedInOf(caller) };
  }
}
