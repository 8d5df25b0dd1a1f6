import { Controller, Get, HttpCode, Param, Post, Req } from '@nestjs/common';
import { formatInstant, type Instant } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { type AuthenticatedRequest, RequireRight } from './access.guard.js';
import type { NewAccount } from './account-rules.js';
import {
  type Because,
  generatedPassword,
  type ListedPerson,
  type PeopleAnswer,
  PeopleService,
} from './people.service.js';
import { fieldsOf, readJsonBody } from './read-json.files.js';
import { parseRole, ROLES, type Role } from './rights.js';

const REASON_MAX = 500;
const LIST_MAX = 50;

/** People, as `drumline user` speaks of them. Each is addressed by user name. */
@Controller('api/v1/people')
export class PeopleController {
  constructor(private readonly people: PeopleService) {}

  @Get()
  @RequireRight('people.manage')
  async list(): Promise<unknown> {
    return { people: (await this.people.list()).map(shown) };
  }

  /** `password` is made up, and answered once, when it is left out. */
  @Post()
  @RequireRight('people.manage')
  async create(@Req() request: AuthenticatedRequest): Promise<unknown> {
    const body = fieldsOf(await readJsonBody(request));
    const given = readPassword(body['password']);
    const password = given ?? generatedPassword();
    const userName = readText('userName', body['userName']);
    const made = await this.people.create(
      {
        userName,
        printedName: readText('printedName', body['printedName']),
        roles: readRoles(body['roles']),
        operatorIds: readTexts('operatorIds', body['operatorIds']),
        password,
        ...readPredecessor(body),
      },
      request.caller,
    );
    const { id } = orProblem(made, userName);
    return { id, userName, ...(given === null ? { initialPassword: password } : {}) };
  }

  @Post(':user/roles')
  @HttpCode(200)
  @RequireRight('people.manage')
  async roles(@Param('user') user: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const { body, why } = await readChange(request);
    orProblem(await this.people.setRoles(user, readRoles(body['roles']), why), user);
    return this.#person(user);
  }

  @Post(':user/operators')
  @HttpCode(200)
  @RequireRight('people.manage')
  async operators(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const { body, why } = await readChange(request);
    const operatorIds = readTexts('operatorIds', body['operatorIds']);
    orProblem(await this.people.setOperators(user, operatorIds, why), user);
    return this.#person(user);
  }

  @Post(':user/predecessor')
  @HttpCode(200)
  @RequireRight('people.manage')
  async predecessor(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const { body, why } = await readChange(request);
    const predecessor = readText('predecessor', body['predecessor']);
    orProblem(await this.people.setPredecessor(user, predecessor, why), user);
    return this.#person(user);
  }

  @Post(':user/deactivate')
  @HttpCode(200)
  @RequireRight('people.manage')
  async deactivate(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const { why } = await readChange(request);
    orProblem(await this.people.deactivate(user, why), user);
    return this.#person(user);
  }

  @Post(':user/unlock')
  @HttpCode(200)
  @RequireRight('people.manage')
  async unlock(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const { why } = await readChange(request);
    const { wasLocked } = orProblem(await this.people.unlock(user, why), user);
    return { userName: user, hadTries: wasLocked };
  }

  @Post(':user/password')
  @HttpCode(200)
  @RequireRight('people.manage')
  async password(
    @Param('user') user: string,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    const { body, why } = await readChange(request);
    const given = readPassword(body['password']);
    const answer = await this.people.resetPassword(user, why, given ?? undefined);
    const { password } = orProblem(answer, user);
    return { userName: user, ...(given === null ? { initialPassword: password } : {}) };
  }

  async #person(user: string): Promise<unknown> {
    const person = await this.people.find(user);
    return person ? shown(person) : null;
  }
}

function orProblem<T extends object>(answer: PeopleAnswer<T>, user: string): T {
  if (answer.ok) return answer;
  const { refusal } = answer;
  switch (refusal.kind) {
    case 'unknown':
      throw new Problem('not-found', `nobody in force has the user name ${user}`);
    case 'duty':
      throw new Problem(refusal.refusal.code, refusal.refusal.message);
    case 'fault':
      throw new Problem('person-invalid', `${refusal.fault.field}: ${refusal.fault.message}`, {
        field: refusal.fault.field,
      });
  }
}

async function readChange(request: AuthenticatedRequest): Promise<{
  readonly body: Readonly<Record<string, unknown>>;
  readonly why: Because;
}> {
  const body = fieldsOf(await readJsonBody(request));
  return { body, why: { caller: request.caller, reason: readReason(body) } };
}

function readReason({ reason }: Readonly<Record<string, unknown>>): string {
  if (typeof reason !== 'string' || reason.trim() === '' || reason.length > REASON_MAX) {
    throw new Problem('query-invalid', `reason: say why, in 1 to ${REASON_MAX} characters`);
  }
  return reason;
}

function readPredecessor(body: Readonly<Record<string, unknown>>): Pick<NewAccount, 'predecessor'> {
  const { predecessor } = body;
  if (predecessor === undefined || predecessor === null) return {};
  const userName = readText('predecessor', predecessor);
  return { predecessor: { userName, reason: readReason(body) } };
}

function readText(name: string, value: unknown): string {
  if (typeof value === 'string') return value;
  throw new Problem('query-invalid', `${name}: expected text`);
}

function readTexts(name: string, value: unknown): string[] {
  if (value === undefined) return [];
  const isList = Array.isArray(value) && value.length <= LIST_MAX;
  if (isList && value.every((one) => typeof one === 'string')) return value;
  throw new Problem('query-invalid', `${name}: expected a list of ${LIST_MAX} texts at most`);
}

function readRoles(value: unknown): Role[] {
  return readTexts('roles', value).map((text) => {
    const role = parseRole(text);
    if (role !== null) return role;
    throw new Problem('query-invalid', `roles: expected some of ${ROLES.join(', ')}`);
  });
}

function readPassword(value: unknown): string | null {
  return value === undefined || value === null ? null : readText('password', value);
}

function shown(person: ListedPerson): unknown {
  const { accountId: id, userName, printedName, roles, operatorIds } = person;
  const formerOperatorIds = person.everOperatorIds.filter((own) => !operatorIds.includes(own));
  return {
    id,
    userName,
    printedName,
    roles,
    operatorIds,
    formerOperatorIds,
    mustChangePassword: person.mustChangePassword,
    createdAt: formatInstant(person.createdAt),
    lastSignInAt: orNull(person.lastSignInAt),
    predecessors: person.predecessors,
    successor: person.successor,
    lockedUntil: orNull(person.lockedUntil),
    deactivatedAt: orNull(person.deactivatedAt),
  };
}

function orNull(at: Instant | null): string | null {
  return at === null ? null : formatInstant(at);
}
