import { Controller, Delete, Get, HttpCode, Param, Post, Query, Req } from '@nestjs/common';
import { formatInstant, parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { Clock } from '../storage/clock.js';
import { AccessService } from './access.service.js';
import { type AuthenticatedRequest, GatewaySite, RequireScope } from './api-key.guard.js';
import { parseScope, SCOPES, type Scope } from './api-key.js';
import { actorOf } from './caller-actor.js';
import { readJsonBody } from './json-body.files.js';

const NAME_MAX = 100;

/** Keys are made and revoked from the machine itself, by `drumline key`. */
@Controller('api/v1/keys')
export class KeysController {
  constructor(
    private readonly access: AccessService,
    private readonly gateway: GatewaySite,
    private readonly clock: Clock,
  ) {}

  @Post()
  @RequireScope('control')
  async create(@Req() request: AuthenticatedRequest): Promise<unknown> {
    const { name, scopes, expiresAt, site } = readNewKey(await readJsonBody(request));
    if (site !== this.gateway.site) {
      throw new Problem('query-invalid', `site: expected ${this.gateway.site}, found ${site}`);
    }
    if (expiresAt !== null && expiresAt <= this.clock.now()) {
      throw new Problem(
        'query-invalid',
        'expiresAt: expected a time to come, found one that is over',
      );
    }
    return this.access.create({ name, site, scopes, expiresAt }, actorOf(request.caller));
  }

  @Get()
  @RequireScope('control')
  async list(): Promise<unknown> {
    const keys = await this.access.list(this.gateway.site);
    return {
      keys: keys.map((key) => ({
        ...key,
        createdAt: formatInstant(key.createdAt),
        expiresAt: key.expiresAt === null ? null : formatInstant(key.expiresAt),
        lastUsedAt: key.lastUsedAt === null ? null : formatInstant(key.lastUsedAt),
        revokedAt: key.revokedAt === null ? null : formatInstant(key.revokedAt),
      })),
    };
  }

  @Delete(':id')
  @HttpCode(200)
  @RequireScope('control')
  async revoke(
    @Param('id') id: string,
    @Query('reason') reason: string | undefined,
    @Req() request: AuthenticatedRequest,
  ): Promise<unknown> {
    if (!reason) throw new Problem('query-invalid', 'reason: say why the key is revoked');
    const revoked = await this.access.revoke(
      this.gateway.site,
      id,
      actorOf(request.caller),
      reason,
    );
    if (!revoked) throw new Problem('not-found', `no key in force has the id ${id}`);
    return { id, revoked };
  }
}

function readNewKey(body: unknown): Parameters<AccessService['create']>[0] {
  const fields = typeof body === 'object' && body !== null ? (body as Record<string, unknown>) : {};
  const { name, site, scopes, expiresAt } = fields;
  if (typeof name !== 'string' || name.trim() === '' || name.length > NAME_MAX) {
    throw new Problem('query-invalid', `name: expected 1 to ${NAME_MAX} characters`);
  }
  if (typeof site !== 'string') throw new Problem('query-invalid', 'site: expected a site id');
  return { name, site, scopes: readScopes(scopes), expiresAt: readExpiry(expiresAt) };
}

function readScopes(value: unknown): Scope[] {
  const listed = Array.isArray(value) ? value : [];
  const scopes = listed.map((text) => parseScope(String(text)));
  if (scopes.length === 0 || scopes.includes(null)) {
    throw new Problem('query-invalid', `scopes: expected some of ${SCOPES.join(', ')}`);
  }
  return scopes.filter((scope) => scope !== null);
}

function readExpiry(value: unknown): ReturnType<typeof parseTimestampOrNull> {
  if (value === undefined || value === null) return null;
  const instant = typeof value === 'string' ? parseTimestampOrNull(value) : null;
  if (instant === null)
    throw new Problem('query-invalid', 'expiresAt: expected an RFC 3339 date-time with offset');
  return instant;
}

function parseTimestampOrNull(text: string) {
  return parseTimestamp(text)?.instant ?? null;
}
