import { Controller, Get, HttpCode, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { type Client, isFromOurPages } from '../access/client.js';
import { readForm } from '../access/read-form.files.js';
import { returnPath } from '../access/return-path.js';
import { clearedCookie, readSessionCookie, sessionCookie } from '../access/session-rules.js';
import { SessionsService } from '../access/sessions.service.js';
import { SignInService } from '../access/sign-in.service.js';
import { ERRORS } from '../error-registry.js';
import { Problem } from '../problem-details.js';
import { moment } from './local-time.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { renderSignIn, type SignInView } from './sign-in.page.js';
import { personIn } from './viewer.js';

@Controller()
export class SignInController {
  constructor(
    private readonly signIns: SignInService,
    private readonly sessions: SessionsService,
    private readonly site: PageSite,
  ) {}

  @Get('/sign-in')
  @RequireRight('open')
  async form(
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
    @Query('to') to: unknown,
    @Query('done') done: string | undefined,
  ): Promise<void> {
    requireSecure(request.client);
    const notice =
      done === 'signed-out'
        ? { title: 'You are signed out', text: 'Close the browser on a shared computer.' }
        : null;
    await this.#show(reply, 200, {
      to: returnPath(typeof to === 'string' ? to : undefined),
      notice,
    });
  }

  @Post('/sign-in')
  @RequireRight('open')
  async signIn(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const { client } = request;
    requireSecure(client);
    if (!isFromOurPages(client, request.headers)) {
      throw new Problem('form-not-ours', 'the browser says that it comes from somewhere else');
    }
    const form = await readForm(request.raw);
    const to = returnPath(form.get('to') ?? undefined);
    const userName = form.get('user-name') ?? '';
    const cookie = readSessionCookie(request.headers.cookie);
    const answer = await this.signIns.signIn({
      userName,
      password: form.get('password') ?? '',
      source: client.address,
      agent: request.headers['user-agent'] ?? '',
      before: cookie === 'malformed' ? null : cookie,
    });
    if (answer.kind === 'signed-in') {
      await reply
        .status(303)
        .header('set-cookie', sessionCookie(answer.secret))
        .header('cache-control', 'no-store')
        .header('location', answer.mustChangePassword ? '/account' : to)
        .send();
      return;
    }
    const code = `password-${answer.why}` as const;
    const until =
      answer.until === null
        ? ''
        : ` It may be tried again from ${moment(answer.until, this.site.view.timeZone).text}.`;
    const { meaning, remedy, status } = ERRORS[code];
    await this.#show(reply, status ?? 401, {
      to,
      // A name too long to be one is not sent back.
      userName: userName.slice(0, 100),
      notice: { title: meaning.replace(/\.$/, ''), text: `${remedy}${until}` },
    });
  }

  @Post('/sign-out')
  @HttpCode(303)
  @RequireRight('signed-in')
  async signOut(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const { caller } = personIn(request);
    const of = { accountId: caller.id, sessionId: caller.sessionId };
    const actor = { kind: 'person', name: caller.id, source: caller.source } as const;
    await this.sessions.end(of, 'signed out', actor);
    await reply
      .status(303)
      .header('set-cookie', clearedCookie())
      .header('location', '/sign-in?done=signed-out')
      .send();
  }

  async #show(
    reply: FastifyReply,
    status: number,
    shown: Pick<SignInView, 'to' | 'notice'> & { readonly userName?: string },
  ): Promise<void> {
    const hasPeople = await this.signIns.hasAccounts();
    const view = { site: this.site.view, userName: '', hasPeople, ...shown };
    await reply.status(status).headers(FORM_PAGE_HEADERS).send(renderSignIn(view));
  }
}

function requireSecure(client: Client): void {
  if (client.isSecure) return;
  throw new Problem(
    'connection-not-secure',
    'plain HTTP from another computer, or through a proxy that is not named',
  );
}
