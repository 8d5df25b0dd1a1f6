import { Controller, Get, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { PeopleAnswer, PeopleRefusal } from '../access/people.service.js';
import { type Because, generatedPassword, PeopleService } from '../access/people.service.js';
import { parseRole, type Role } from '../access/rights.js';
import { Problem } from '../problem-details.js';
import type { NoticeView } from './account-view.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { personPath, renderPeople, renderPerson } from './people.page.js';
import { PeopleViews } from './people-views.service.js';
import { fieldOf, listOf, personIn } from './viewer.js';

const DONE: Readonly<Record<string, NoticeView>> = Object.fromEntries(
  [
    ['roles', 'The roles are changed', 'They hold from the next request on.'],
    ['operators', 'The ids are changed', 'They hold from the next request on.'],
    ['predecessor', 'The accounts are one person’s', 'What either did counts as this person’s.'],
    ['unlocked', 'The account is unlocked', 'The person may try again at once.'],
    ['deactivated', 'The account is deactivated', 'All its sign-ins have ended.'],
  ].map(([key, title = '', text = '']) => [key, { tone: 'good', title, text } as const]),
);

/** People of the site, for administrators. */
@Controller('/people')
export class PeoplePagesController {
  constructor(
    private readonly people: PeopleService,
    private readonly views: PeopleViews,
  ) {}

  @Get()
  @RequireRight('people.manage', { isForPeople: true })
  async list(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const html = renderPeople(await this.views.list(personIn(request)));
    await reply.headers(FORM_PAGE_HEADERS).send(html);
  }

  @Post()
  @RequireRight('people.manage', { isForPeople: true, mayRepeat: ['role'] })
  async create(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const viewer = personIn(request);
    const roles = request.form?.getAll('role') ?? [];
    const draft = {
      userName: fieldOf(request, 'user-name'),
      printedName: fieldOf(request, 'printed-name'),
      operatorIds: fieldOf(request, 'operator-ids'),
      predecessor: fieldOf(request, 'predecessor').trim(),
      reason: fieldOf(request, 'reason'),
      roles,
    };
    const password = generatedPassword();
    const { userName, printedName, predecessor } = draft;
    const account = {
      userName,
      printedName,
      operatorIds: listOf(draft.operatorIds),
      roles: readRoles(roles),
      password,
    };
    const made =
      predecessor === ''
        ? await this.people.create(account, viewer.caller)
        : await this.#because(request, ({ caller, reason }) =>
            this.people.create(
              { ...account, predecessor: { userName: predecessor, reason } },
              caller,
            ),
          );
    if (!made.ok) {
      const view = await this.views.list(viewer, refusalNotice(made.refusal), draft);
      await reply.status(422).headers(FORM_PAGE_HEADERS).send(renderPeople(view));
      return;
    }
    await this.#showPerson(request, reply, draft.userName, { password });
  }

  @Get(':user')
  @RequireRight('people.manage', { isForPeople: true })
  async person(
    @Param('user') user: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#showPerson(request, reply, user, { notice: DONE[String(done)] ?? null });
  }

  @Post(':user/roles')
  @RequireRight('people.manage', { isForPeople: true, mayRepeat: ['role'] })
  async roles(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const roles = readRoles(request.form?.getAll('role') ?? []);
    await this.#change(request, reply, user, 'roles', (why) =>
      this.people.setRoles(user, roles, why),
    );
  }

  @Post(':user/operators')
  @RequireRight('people.manage', { isForPeople: true })
  async operators(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const ids = listOf(fieldOf(request, 'operator-ids'));
    await this.#change(request, reply, user, 'operators', (why) =>
      this.people.setOperators(user, ids, why),
    );
  }

  @Post(':user/predecessor')
  @RequireRight('people.manage', { isForPeople: true })
  async predecessor(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const predecessor = fieldOf(request, 'predecessor').trim();
    await this.#change(request, reply, user, 'predecessor', (why) =>
      this.people.setPredecessor(user, predecessor, why),
    );
  }

  @Post(':user/unlock')
  @RequireRight('people.manage', { isForPeople: true })
  async unlock(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#change(request, reply, user, 'unlocked', (why) => this.people.unlock(user, why));
  }

  @Post(':user/deactivate')
  @RequireRight('people.manage', { isForPeople: true })
  async deactivate(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#change(request, reply, user, 'deactivated', (why) =>
      this.people.deactivate(user, why),
    );
  }

  @Post(':user/password')
  @RequireRight('people.manage', { isForPeople: true })
  async password(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const answer = await this.#because(request, (why) => this.people.resetPassword(user, why));
    if (answer.ok) await this.#showPerson(request, reply, user, { password: answer.password });
    else await this.#showRefusal(request, reply, user, answer.refusal);
  }

  async #change(
    request: AuthenticatedRequest,
    reply: FastifyReply,
    user: string,
    done: string,
    work: (why: Because) => Promise<PeopleAnswer>,
  ): Promise<void> {
    const answer = await this.#because(request, work);
    if (!answer.ok) {
      await this.#showRefusal(request, reply, user, answer.refusal);
      return;
    }
    await reply
      .status(303)
      .header('location', `${personPath(user)}?done=${done}`)
      .send();
  }

  async #because<T extends object>(
    request: AuthenticatedRequest,
    work: (why: Because) => Promise<PeopleAnswer<T>>,
  ): Promise<PeopleAnswer<T>> {
    const reason = fieldOf(request, 'reason').trim();
    if (reason === '' || reason.length > REASON_LENGTH_MAX) {
      const message = `say why, in 1 to ${REASON_LENGTH_MAX} characters`;
      return { ok: false, refusal: { kind: 'fault', fault: { field: 'reason', message } } };
    }
    return work({ caller: personIn(request).caller, reason });
  }

  async #showRefusal(
    request: AuthenticatedRequest,
    reply: FastifyReply,
    user: string,
    refusal: PeopleRefusal,
  ): Promise<void> {
    await this.#showPerson(request, reply.status(422), user, { notice: refusalNotice(refusal) });
  }

  async #showPerson(
    request: AuthenticatedRequest,
    reply: FastifyReply,
    user: string,
    shown: { readonly notice?: NoticeView | null; readonly password?: string },
  ): Promise<void> {
    const { notice = null, password } = shown;
    const view = await this.views.person(personIn(request), user, {
      notice,
      ...(password === undefined ? {} : { initialPassword: password }),
    });
    if (view === null) throw new Problem('not-found', 'nobody has this user name');
    await reply.headers(FORM_PAGE_HEADERS).send(renderPerson(view));
  }
}

const REASON_LENGTH_MAX = 500;

function readRoles(texts: readonly string[]): Role[] {
  return texts.map((text) => {
    const role = parseRole(text);
    if (role === null) throw new Problem('query-invalid', 'role: there is none of this name');
    return role;
  });
}

const FIELD_WORDS: Readonly<Record<string, string>> = {
  userName: 'User name',
  printedName: 'Printed name',
  roles: 'Roles',
  operatorIds: 'Measures as',
  password: 'Password',
  predecessor: 'Earlier account',
  reason: 'Why',
};

function refusalNotice(refusal: PeopleRefusal): NoticeView {
  const title = 'Nothing was changed';
  switch (refusal.kind) {
    case 'fault': {
      const { field, message } = refusal.fault;
      return { tone: 'bad', title, text: `${FIELD_WORDS[field] ?? field}: ${message}.` };
    }
    case 'duty': {
      const { message } = refusal.refusal;
      return {
        tone: 'bad',
        title,
        text: `${message.slice(0, 1).toUpperCase()}${message.slice(1)}.`,
      };
    }
    case 'unknown':
      return { tone: 'bad', title, text: 'Nobody in force has this user name.' };
  }
}
