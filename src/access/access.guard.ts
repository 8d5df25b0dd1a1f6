import { timingSafeEqual } from 'node:crypto';
import { type CanActivate, type ExecutionContext, Injectable, SetMetadata } from '@nestjs/common';
import type { FastifyRequest } from 'fastify';
import { Problem } from '../problem-details.js';
import { AccessService } from './access.service.js';
import { BodiesUnderWay } from './bodies-under-way.js';
import type { Caller } from './caller.js';
import { type Client, clientOf, isFromOurPages } from './client.js';
import { type Mark, type Need, refusalOf } from './need.js';
import {
  FORM_TOKEN_FIELD,
  FORM_TOKEN_HEADER,
  type Form,
  isForm,
  readForm,
} from './read-form.files.js';
import { RIGHTS_OF_CONTROL, type Right } from './rights.js';
import { clearedCookie, formTokenOf, readSessionCookie } from './session-rules.js';
import { SessionsService } from './sessions.service.js';
import { SignInService } from './sign-in.service.js';

const NEED_KEY = 'drumline:need';

/** Marks a handler with what it asks for. A handler without a mark is denied to everybody. */
export const RequireRight = (need: Need, options: Omit<Mark, 'need'> = {}) =>
  SetMetadata(NEED_KEY, { need, ...options } satisfies Mark);

/** What a handler asks for; null when nobody is let through. */
export function markOf(handler: object): Mark | null {
  return (Reflect.getMetadata(NEED_KEY, handler) as Mark | undefined) ?? null;
}

/** Secret of this process's control file, by which commands on the same machine reach it. */
export class ControlToken {
  constructor(private readonly token: string) {}

  matches(presented: string): boolean {
    return sameText(presented, this.token);
  }
}

export class GatewaySite {
  constructor(readonly site: string) {}
}

/** Addresses of proxies whose word on whom they speak for is taken. */
export class TrustedProxies {
  constructor(readonly addresses: readonly string[]) {}
}

export interface AuthenticatedRequest extends FastifyRequest {
  caller: Caller;
  client: Client;
  /** Goes into every form of a page; null for who is not signed in. */
  formToken: string | null;
  /** What a signed-in person submitted, read and proven to come from a page of ours; null for anything else. */
  form: Form | null;
  /** See `AdmittedRequest`. */
  admitAgain: () => Promise<void>;
  /** See `AdmittedRequest`. */
  reserveBody: (bytes: number) => void;
}

@Injectable()
export class AccessGuard implements CanActivate {
  constructor(
    private readonly access: AccessService,
    private readonly sessions: SessionsService,
    private readonly signIn: SignInService,
    private readonly control: ControlToken,
    private readonly gateway: GatewaySite,
    private readonly proxies: TrustedProxies,
    private readonly bodies: BodiesUnderWay,
  ) {}

  async canActivate(context: ExecutionContext): Promise<boolean> {
    const request = context.switchToHttp().getRequest<AuthenticatedRequest>();
    request.client = clientOfRequest(request, this.proxies.addresses);
    request.formToken = null;
    request.form = null;
    request.admitAgain = () => Promise.resolve();
    request.reserveBody = (bytes) => this.bodies.reserve(request, shareOf(request), bytes);
    const mark = markOf(context.getHandler());
    if (mark === null) throw new Problem('scope-missing', 'this address is open to nobody');
    if (mark.need === 'open') return true;
    await this.#admit(request, mark);
    // Whose last byte is here by now holds nothing back. Any other body may take as long as its sender likes.
    if (!request.raw.complete) request.admitAgain = () => this.#admit(request, mark);
    if (request.caller.kind === 'person' && !SAFE_METHODS.has(request.method)) {
      await requireOurForm(request, mark);
    }
    requireSingleValues(request.query);
    return true;
  }

  async #admit(request: AuthenticatedRequest, mark: Mark): Promise<void> {
    const caller = await this.#identify(request, mark);
    requireNeed(caller, mark);
    request.caller = caller;
  }

  async #identify(request: AuthenticatedRequest, mark: Mark): Promise<Caller> {
    const presented = /^Bearer (\S+)$/i.exec(request.headers.authorization ?? '')?.[1];
    if (presented !== undefined) return this.#program(request, presented);
    const secret = readSessionCookie(request.headers.cookie);
    if (secret !== null) return this.#person(request, secret);
    const { isThisMachine, address: source } = request.client;
    // Until there is somebody who could sign in, pages are for the machine itself.
    if (mark.isForMachine && isThisMachine && !(await this.signIn.hasAccounts())) {
      const rights = new Set<Right>(['pages.read']);
      const { site } = this.gateway;
      return { kind: 'loopback', id: 'loopback', name: 'loopback', site, rights, source };
    }
    throw new Problem('key-missing', `${request.method} ${request.url}`, {}, CHALLENGE);
  }

  async #program({ client }: AuthenticatedRequest, presented: string): Promise<Caller> {
    const { site } = this.gateway;
    const source = client.address;
    if (this.control.matches(presented)) {
      const name = 'command line';
      return { kind: 'cli', id: 'cli', name, site, rights: RIGHTS_OF_CONTROL, source };
    }
    const caller = await this.access.authenticate(presented, source);
    if (typeof caller === 'string') {
      throw new Problem('key-invalid', `the key presented is ${caller}`, {}, CHALLENGE);
    }
    if (caller.site !== site) {
      throw new Problem('site-mismatch', `the key is for ${caller.site}, this is ${site}`);
    }
    return caller;
  }

  async #person(request: AuthenticatedRequest, secret: string): Promise<Caller> {
    const { client } = request;
    if (!client.isSecure)
      throw new Problem('connection-not-secure', 'a session came over plain HTTP');
    const answer =
      secret === 'malformed'
        ? ({ kind: 'over', why: 'unknown' } as const)
        : await this.sessions.find(secret);
    if (answer.kind === 'over') {
      throw new Problem('session-over', answer.why, {}, { 'set-cookie': clearedCookie() });
    }
    request.formToken = formTokenOf(secret);
    const { accountId: id, printedName: name, ...person } = answer.person;
    const source = client.address;
    return { kind: 'person', id, name, sessionId: answer.sessionId, source, ...person };
  }
}

/** In whose share a body counts; of nobody known, in that of the address. */
function shareOf({ caller, client }: Partial<AuthenticatedRequest>): string {
  return caller === undefined ? `address ${client?.address}` : `${caller.kind} ${caller.id}`;
}

const SAFE_METHODS: ReadonlySet<string> = new Set(['GET', 'HEAD']);

/**
 * A cookie rides along with whatever the browser sends, so a change needs two signs that a page of ours asked for
 * it: where the browser says it comes from, and the token that only our pages know. The body of a form is read
 * here, so that no handler can forget to look.
 */
async function requireOurForm(request: AuthenticatedRequest, mark: Mark): Promise<void> {
  if (!isFromOurPages(request.client, request.headers)) {
    throw new Problem('form-not-ours', 'the browser says that it comes from somewhere else');
  }
  const header = request.headers[FORM_TOKEN_HEADER];
  if (isForm(request.headers['content-type'])) {
    request.form = await readForm(request.raw, mark.mayRepeat);
    await request.admitAgain();
  }
  const presented = request.form?.get(FORM_TOKEN_FIELD) ?? header;
  if (typeof presented === 'string' && sameText(presented, request.formToken ?? '')) return;
  throw new Problem('form-not-ours', 'it carries no token of this sign-in');
}

function sameText(a: string, b: string): boolean {
  const [one, other] = [Buffer.from(a), Buffer.from(b)];
  return one.length === other.length && timingSafeEqual(one, other);
}

export function clientOfRequest(
  request: FastifyRequest,
  trustedProxies: readonly string[],
): Client {
  const { raw, headers } = request;
  const isEncrypted = 'encrypted' in raw.socket && raw.socket.encrypted === true;
  return clientOf({ address: request.ip, isEncrypted, headers }, trustedProxies);
}

function requireNeed(caller: Caller, mark: Mark): void {
  if (caller.kind === 'person' && caller.mustChangePassword && mark.need !== 'signed-in') {
    throw new Problem('password-change-needed', 'somebody else knows the password that you have');
  }
  const refusal = refusalOf(mark, caller);
  if (refusal) throw new Problem(refusal.code, refusal.detail);
}

/** Every handler reads one text for a name; which of several should count, nobody can tell. */
function requireSingleValues(query: unknown): void {
  for (const [name, value] of Object.entries(query ?? {})) {
    if (typeof value === 'string') continue;
    throw new Problem('query-invalid', `${name.slice(0, 100)}: expected once, found more often`);
  }
}

const CHALLENGE = { 'www-authenticate': 'Bearer realm="drumline"' };
