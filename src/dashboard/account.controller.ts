import { Controller, Get, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { sessionCookie } from '../access/session-rules.js';
import { SessionsService } from '../access/sessions.service.js';
import { type PasswordChangeAnswer, SignInService } from '../access/sign-in.service.js';
import { ERRORS } from '../error-registry.js';
import { renderAccount } from './account.page.js';
import type { NoticeView } from './account-view.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PeopleViews } from './people-views.service.js';
import { fieldOf, personIn } from './viewer.js';

const DONE: Readonly<Record<string, NoticeView>> = {
  password: {
    tone: 'good',
    title: 'Your password is changed',
    text: 'All your other sign-ins have ended.',
  },
  ended: { tone: 'good', title: 'That sign-in has ended', text: 'Its browser is signed out.' },
  'not-open': {
    tone: 'quiet',
    title: 'That sign-in was over already',
    text: 'Nothing had to be done.',
  },
};

/** A person's own account. */
@Controller('/account')
export class AccountController {
  constructor(
    private readonly views: PeopleViews,
    private readonly sessions: SessionsService,
    private readonly signIns: SignInService,
  ) {}

  @Get()
  @RequireRight('signed-in')
  async page(
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
    @Query('done') done: string | undefined,
  ): Promise<void> {
    await this.#show(request, reply, 200, DONE[String(done)] ?? null);
  }

  @Post('password')
  @RequireRight('signed-in')
  async password(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const { caller } = personIn(request);
    const next = fieldOf(request, 'next');
    if (next !== fieldOf(request, 'again')) {
      const text = 'Type the new password twice, the same both times. Nothing was changed.';
      await this.#show(request, reply, 422, { tone: 'bad', title: 'The two differ', text });
      return;
    }
    const answer = await this.signIns.changePassword({
      accountId: caller.id,
      current: fieldOf(request, 'current'),
      next,
      source: caller.source,
      agent: request.headers['user-agent'] ?? '',
    });
    if (answer.kind === 'refused') {
      const { status, notice } = refusalOf(answer);
      await this.#show(request, reply, status, notice);
      return;
    }
    await reply
      .status(303)
      .header('set-cookie', sessionCookie(answer.secret))
      .header('location', '/account?done=password')
      .send();
  }

  @Post('sessions/:id/end')
  @RequireRight('signed-in')
  async end(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const { caller } = personIn(request);
    const of = { accountId: caller.id, sessionId: id };
    const ended = await this.sessions.end(of, 'ended by its owner', actorOf(caller));
    const done = ended ? 'ended' : 'not-open';
    await reply.status(303).header('location', `/account?done=${done}`).send();
  }

  async #show(
    request: AuthenticatedRequest,
    reply: FastifyReply,
    status: number,
    notice: NoticeView | null,
  ): Promise<void> {
    const view = await this.views.account(personIn(request), notice);
    await reply.status(status).headers(FORM_PAGE_HEADERS).send(renderAccount(view));
  }
}

function refusalOf(answer: Extract<PasswordChangeAnswer, { kind: 'refused' }>): {
  readonly status: number;
  readonly notice: NoticeView;
} {
  if (answer.why === 'weak') {
    const text = `The new password cannot be taken: ${answer.fault}.`;
    return { status: 422, notice: { tone: 'bad', title: 'Choose another password', text } };
  }
  if (answer.why === 'wrong') {
    const text = 'Type the password that you have now. The try was counted.';
    return { status: 422, notice: { tone: 'bad', title: 'The present password is wrong', text } };
  }
  const { meaning, remedy, status } = ERRORS[`password-${answer.why}`];
  const title = meaning.replace(/\.$/, '');
  return { status: status ?? 429, notice: { tone: 'bad', title, text: remedy } };
}
