import { timingSafeEqual } from 'node:crypto';
import { type CanActivate, type ExecutionContext, Injectable, SetMetadata } from '@nestjs/common';
import { Reflector } from '@nestjs/core';
import type { FastifyRequest } from 'fastify';
import { Problem } from '../problem-details.js';
import { AccessService } from './access.service.js';
import type { Caller } from './caller.js';
import { RIGHTS_OF_CONTROL, type Right, scopeGiving } from './rights.js';

const NEED_KEY = 'drumline:need';

/** What a handler asks of its caller: a right; `signed-in` to be a person; `open` nothing. */
export type Need = Right | 'signed-in' | 'open';

export interface NeedOptions {
  /**
   * The handler proves a person by password (`AccountsService.reauthenticate`) and checks the right of that person,
   * so a command on this machine may reach it without holding the right.
   */
  readonly provesPerson?: boolean;
}

/** Marks a handler with what it asks for. A handler without a mark is denied to everybody. */
export const RequireRight = (need: Need, options: NeedOptions = {}) =>
  SetMetadata(NEED_KEY, { need, ...options });

type Mark = { readonly need: Need } & NeedOptions;

/** Secret of this process's control file, by which commands on the same machine reach it. */
export class ControlToken {
  constructor(private readonly token: string) {}

  matches(presented: string): boolean {
    const a = Buffer.from(presented);
    const b = Buffer.from(this.token);
    return a.length === b.length && timingSafeEqual(a, b);
  }
}

export class GatewaySite {
  constructor(readonly site: string) {}
}

export interface AuthenticatedRequest extends FastifyRequest {
  caller: Caller;
}

@Injectable()
export class AccessGuard implements CanActivate {
  constructor(
    private readonly reflector: Reflector,
    private readonly access: AccessService,
    private readonly control: ControlToken,
    private readonly gateway: GatewaySite,
  ) {}

  async canActivate(context: ExecutionContext): Promise<boolean> {
    const mark = this.reflector.get<Mark | undefined>(NEED_KEY, context.getHandler());
    if (mark === undefined) throw new Problem('scope-missing', 'this address is open to nobody');
    if (mark.need === 'open') return true;
    const request = context.switchToHttp().getRequest<AuthenticatedRequest>();
    request.caller = await this.#identify(request, mark.need);
    requireNeed(request.caller, mark);
    return true;
  }

  async #identify(request: FastifyRequest, need: Need): Promise<Caller> {
    const presented = /^Bearer (\S+)$/i.exec(request.headers.authorization ?? '')?.[1];
    const { site } = this.gateway;
    const source = request.ip;
    if (presented === undefined) {
      // Until people can sign in, pages are for the machine itself; everybody else needs a key.
      if (need === 'pages.read' && isThisMachine(request)) {
        const rights = new Set<Right>(['pages.read']);
        return { kind: 'loopback', id: 'loopback', name: 'loopback', site, rights, source };
      }
      throw new Problem('key-missing', `${request.method} ${request.url}`, {}, CHALLENGE);
    }
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
}

function requireNeed(caller: Caller, { need, provesPerson }: Mark): void {
  if (need === 'open' || (provesPerson && caller.kind === 'cli')) return;
  if (need === 'signed-in') {
    if (caller.kind === 'person') return;
    throw new Problem('right-missing', 'this address is for people who are signed in');
  }
  if (caller.rights.has(need)) return;
  if (caller.kind === 'person') throw new Problem('right-missing', `it needs the right ${need}`);
  const scope = scopeGiving(need);
  throw new Problem(
    'scope-missing',
    scope === null
      ? `this address needs the right ${need}, which no key holds`
      : `this address needs the scope ${scope}`,
  );
}

const CHALLENGE = { 'www-authenticate': 'Bearer realm="drumline"' };

const LOOPBACK: ReadonlySet<string> = new Set(['127.0.0.1', '::1', '::ffff:127.0.0.1']);
const LOCAL_HOST = /^(?:localhost|127\.0\.0\.1|\[::1\])(?::\d+)?$/i;
const FORWARDED = ['forwarded', 'x-forwarded-for', 'x-forwarded-host', 'x-real-ip', 'via'];

/**
 * True for a person at this machine. A connection from here is not enough: a proxy on this machine passes
 * everybody on, and a page from elsewhere can point a name of its own at the loopback address.
 */
function isThisMachine({ ip, headers }: FastifyRequest): boolean {
  return (
    LOOPBACK.has(ip) &&
    LOCAL_HOST.test(headers.host ?? '') &&
    FORWARDED.every((name) => headers[name] === undefined)
  );
}
