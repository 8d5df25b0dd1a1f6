import { Controller, Delete, Get, HttpCode, Param, Post, Query, Req } from '@nestjs/common';
import { formatInstant, parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { Clock } from '../storage/clock.js';
import { type AuthenticatedRequest, GatewaySite, RequireRight } from './access.guard.js';
import { AccessService } from './access.service.js';
import { parseScope, SCOPES, type Scope } from './api-key.js';
import { actorOf } from './caller.js';
import { fieldsOf, readJsonBody } from './read-json.files.js';

const NAME_MAX = 100;
const REASON_MAX = 500;
/** An old secret that is good for longer is a second key that nobody sees. */
const OVERLAP_MS_MAX = 30 * 24 * 3_600_000;

/** Keys of programs: by `drumline key` on the machine itself, or by an administrator. */
@Controller('api/v1/keys')
export class KeysController {
  constructor(
    private readonly access: AccessService,
    private readonly gateway: GatewaySite,
    private readonly clock: Clock,
  ) {}

  @Post()
  @RequireRight('keys.manage')
  async create(@Req() request: AuthenticatedRequest): Promise<unknown> {
    const body = fieldsOf(await readJsonBody(request));
    const { name, scopes, expiresAt, site } = readNewKey(body);
    if (site !== this.gateway.site) {
      throw new Problem('query-invalid', `site: expected ${this.gateway.site}, found ${site}`);
    }
    if (expiresAt !== null && expiresAt <= this.clock.now()) {
      throw new Problem(
        'query-invalid',
        'expiresAt: expected a time to come, found one that is over',
      );
    }
    const responsible = await this.#responsible(body['responsible']);
    const asked = { name, site, scopes, expiresAt, ...responsible };
    return this.access.create(asked, actorOf(request.caller));
  }

  async #responsible(userName: unknown): Promise<{ readonly responsible?: string }> {
    if (userName === undefined || userName === null) return {};
    const responsible = typeof userName === 'string' ? await this.access.answering(userName) : null;
    if (responsible !== null) return { responsible };
    throw new Problem('query-invalid', 'responsible: expected the user name of somebody in force');
  }

  @Get()
  @RequireRight('keys.manage')
  async list(): Promise<unknown> {
    const keys = await this.access.list(this.gateway.site);
    return {
      keys: keys.map((key) => ({
        ...key,
        createdAt: formatInstant(key.createdAt),
        expiresAt: key.expiresAt === null ? null : formatInstant(key.expiresAt),
        lastUsedAt: key.lastUsedAt === null ? null : formatInstant(key.lastUsedAt),
        revokedAt: key.revokedAt === null ? null : formatInstant(key.revokedAt),
        rotatedAt: key.rotatedAt === null ? null : formatInstant(key.rotatedAt),
        previousUntil: key.previousUntil === null ? null : formatInstant(key.previousUntil),
      })),
    };
  }

  /** A new secret; the one before is good for a while longer, so that its user can be moved over. */
  @Post(':id/rotate')
  @RequireRight('keys.manage')
  async rotate(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const { overlapMs, reason } = readRotation(await readJsonBody(request));
    const actor = actorOf(request.caller);
    const rotated = await this.access.rotate(this.gateway.site, id, { overlapMs, reason }, actor);
    if (rotated === null) throw new Problem('not-found', `no key in force has the id ${id}`);
    return { id, key: rotated.key, previousUntil: formatInstant(rotated.previousUntil) };
  }

  @Delete(':id')
  @HttpCode(200)
  @RequireRight('keys.manage')
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

function readNewKey(
  body: Readonly<Record<string, unknown>>,
): Parameters<AccessService['create']>[0] {
  const { name, site, scopes, expiresAt } = body;
  if (typeof name !== 'string' || name.trim() === '' || name.length > NAME_MAX) {
    throw new Problem('query-invalid', `name: expected 1 to ${NAME_MAX} characters`);
  }
  if (typeof site !== 'string') throw new Problem('query-invalid', 'site: expected a site id');
  return { name, site, scopes: readScopes(scopes), expiresAt: readExpiry(expiresAt) };
}

function readRotation(body: unknown): { readonly overlapMs: number; readonly reason: string } {
  const { overlapMs, reason } = fieldsOf(body);
  if (typeof reason !== 'string' || reason.trim() === '' || reason.length > REASON_MAX) {
    throw new Problem('query-invalid', `reason: say why, in 1 to ${REASON_MAX} characters`);
  }
  const isWhole = typeof overlapMs === 'number' && Number.isInteger(overlapMs);
  if (!isWhole || overlapMs < 0 || overlapMs > OVERLAP_MS_MAX) {
    throw new Problem('query-invalid', 'overlapMs: expected 0 to 30 days in milliseconds');
  }
  return { overlapMs, reason };
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
