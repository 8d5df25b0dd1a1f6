import { timingSafeEqual } from 'node:crypto';
import { type CanActivate, type ExecutionContext, Injectable, SetMetadata } from '@nestjs/common';
import { Reflector } from '@nestjs/core';
import type { FastifyRequest } from 'fastify';
import { Problem } from '../problem-details.js';
import { AccessService } from './access.service.js';
import { type Caller, SCOPES, type Scope } from './api-key.js';

const SCOPE_KEY = 'drumline:scope';

/**
 * What a handler asks for: a scope; `open` nothing; `pages` the scope `read`, or being on this machine;
 * `control` the control file of the data folder.
 */
export type Need = Scope | 'open' | 'pages' | 'control';

/** Marks a handler with what it asks for. A handler without a mark is denied. */
export const RequireScope = (need: Need) => SetMetadata(SCOPE_KEY, need);

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
export class ApiKeyGuard implements CanActivate {
  constructor(
    private readonly reflector: Reflector,
    private readonly access: AccessService,
    private readonly control: ControlToken,
    private readonly gateway: GatewaySite,
  ) {}

  async canActivate(context: ExecutionContext): Promise<boolean> {
    const need = this.reflector.get<Need | undefined>(SCOPE_KEY, context.getHandler());
    if (need === undefined) throw new Problem('scope-missing', 'this address is open to nobody');
    if (need === 'open') return true;
    const request = context.switchToHttp().getRequest<AuthenticatedRequest>();
    request.caller = await this.#identify(request, need);
    return true;
  }

  async #identify(request: FastifyRequest, need: Exclude<Need, 'open'>): Promise<Caller> {
    const presented = /^Bearer (\S+)$/i.exec(request.headers.authorization ?? '')?.[1];
    const { site } = this.gateway;
    if (presented === undefined) {
      // Until people can sign in, pages are for the machine itself; everybody else needs a key.
      if (need === 'pages' && isThisMachine(request)) {
        return { kind: 'loopback', id: 'loopback', name: 'loopback', site, scopes: ['read'] };
      }
      throw new Problem('key-missing', `${request.method} ${request.url}`, {}, CHALLENGE);
    }
    if (this.control.matches(presented)) {
      return { kind: 'cli', id: 'cli', name: 'command line', site, scopes: SCOPES };
    }
    const caller = await this.access.authenticate(presented);
    if (typeof caller === 'string') {
      throw new Problem('key-invalid', `the key presented is ${caller}`, {}, CHALLENGE);
    }
    if (caller.site !== site) {
      throw new Problem('site-mismatch', `the key is for ${caller.site}, this is ${site}`);
    }
    const scope = need === 'pages' ? 'read' : need;
    if (scope === 'control' || !caller.scopes.includes(scope)) {
      throw new Problem('scope-missing', `this address needs the scope ${scope}`);
    }
    return caller;
  }
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
