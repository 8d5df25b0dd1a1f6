import { randomBytes } from 'node:crypto';
import { uuidv7 } from 'uuidv7';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import { addMs, type Instant, msBetween } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { ApiKeyRow } from '../storage/tables.js';
import { findAccountByName, listAccounts } from './accounts.store.js';
import {
  apiKeyDigest,
  formatApiKey,
  judgeApiKey,
  type KeyRefusal,
  SCOPES,
  type Scope,
} from './api-key.js';
import {
  findApiKeyByDigest,
  insertApiKey,
  listApiKeys,
  lockApiKey,
  noteApiKeyUse,
  revokeApiKey,
  rotateApiKey,
} from './api-keys.store.js';
import type { ProgramCaller } from './caller.js';
import { rightsOfScopes } from './rights.js';
import { mustStillBeAllowed } from './still-allowed.service.js';

export interface NewApiKey {
  readonly name: string;
  readonly site: string;
  readonly scopes: readonly Scope[];
  readonly expiresAt: Instant | null;
  /** Account of who answers for what is proposed with it, and approves none of that; left out for nobody. */
  readonly responsible?: string;
}

export interface ListedApiKey {
  readonly id: string;
  readonly name: string;
  readonly scopes: readonly Scope[];
  readonly createdAt: Instant;
  readonly expiresAt: Instant | null;
  readonly lastUsedAt: Instant | null;
  readonly revokedAt: Instant | null;
  readonly rotatedAt: Instant | null;
  /** Until when the secret before the last rotation is good. */
  readonly previousUntil: Instant | null;
  /** User name of who answers for what is proposed with it; null where nobody was named. */
  readonly responsible: string | null;
}

/** Last use is worth a row a minute, not a write for every request. */
const USE_NOTED_EVERY_MS = 60_000;

export class AccessService {
  readonly #lastNoted = new Map<string, Instant>();

  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly zone: string,
  ) {}

  /** The account in force of somebody who is to answer for a key; null when nobody has the user name. */
  async answering(userName: string): Promise<string | null> {
    const account = await findAccountByName(this.database.db, userName);
    return account?.deactivated_at === null ? account.id : null;
  }

  /** Creates a key and returns its secret, which is shown this once and stored only as a digest. */
  async create(input: NewApiKey, actor: Actor): Promise<{ id: string; key: string }> {
    const id = uuidv7();
    const key = formatApiKey(randomBytes(32));
    const now = this.clock.now();
    const { responsible } = input;
    await this.database.transact(async (trx) => {
      await mustStillBeAllowed(trx, actor, 'keys.manage', input.site);
      await insertApiKey(trx, {
        id,
        site: input.site,
        name: input.name,
        scopes: JSON.stringify(input.scopes),
        secret_sha256: apiKeyDigest(key),
        created_at: now,
        expires_at: input.expiresAt,
        last_used_at: null,
        revoked_at: null,
        previous_sha256: null,
        previous_until: null,
        rotated_at: null,
        responsible: responsible ?? null,
      });
      await recordAudit(trx, {
        site: input.site,
        zone: this.zone,
        at: now,
        actor,
        action: 'key.created',
        subjectKind: 'key',
        subjectId: id,
        after: {
          name: input.name,
          scopes: input.scopes,
          expiresAt: input.expiresAt,
          ...(responsible === undefined ? {} : { responsible }),
        },
      });
    });
    return { id, key };
  }

  async revoke(site: string, id: string, actor: Actor, reason: string): Promise<boolean> {
    const now = this.clock.now();
    return this.database.transact(async (trx) => {
      await mustStillBeAllowed(trx, actor, 'keys.manage', site);
      const revoked = await revokeApiKey(trx, site, id, now);
      if (revoked) {
        await recordAudit(trx, {
          site,
          zone: this.zone,
          at: now,
          actor,
          action: 'key.revoked',
          subjectKind: 'key',
          subjectId: id,
          reason,
        });
      }
      return revoked;
    });
  }

  /**
   * Gives a key another secret, shown this once. The one before stays good for `overlapMs`; one from an earlier
   * rotation is good no longer. null when no key in force has the id.
   */
  async rotate(
    site: string,
    id: string,
    how: { readonly overlapMs: number; readonly reason: string },
    actor: Actor,
  ): Promise<{ key: string; previousUntil: Instant } | null> {
    const key = formatApiKey(randomBytes(32));
    const now = this.clock.now();
    const previousUntil = addMs(now, how.overlapMs);
    return this.database.transact(async (trx) => {
      await mustStillBeAllowed(trx, actor, 'keys.manage', site);
      const before = await lockApiKey(trx, site, id);
      if (!before || judgeApiKey(timesOf(before), now) !== null) return null;
      await rotateApiKey(trx, id, {
        secret_sha256: apiKeyDigest(key),
        previous_sha256: before.secret_sha256,
        previous_until: previousUntil,
        rotated_at: now,
      });
      await recordAudit(trx, {
        site,
        zone: this.zone,
        at: now,
        actor,
        action: 'key.rotated',
        subjectKind: 'key',
        subjectId: id,
        reason: how.reason,
        before: { rotatedAt: before.rotated_at, previousUntil: before.previous_until },
        after: { rotatedAt: now, previousUntil },
      });
      return { key, previousUntil };
    });
  }

  async list(site: string): Promise<ListedApiKey[]> {
    const { db } = this.database;
    const rows = await listApiKeys(db, site);
    const named = rows.some((row) => row.responsible !== null);
    const accounts = named ? await listAccounts(db) : [];
    const names = new Map(accounts.map((account) => [account.id, account.user_name]));
    return rows.map((row) => ({
      id: row.id,
      name: row.name,
      scopes: readScopes(row.scopes),
      createdAt: row.created_at,
      expiresAt: row.expires_at,
      lastUsedAt: row.last_used_at,
      revokedAt: row.revoked_at,
      rotatedAt: row.rotated_at,
      previousUntil: row.previous_until,
      responsible: names.get(row.responsible ?? '') ?? null,
    }));
  }

  /** Finds the caller behind a presented key. */
  async authenticate(key: string, source: string): Promise<ProgramCaller | KeyRefusal> {
    const digest = apiKeyDigest(key);
    const row = await findApiKeyByDigest(this.database.db, digest);
    if (!row) return 'unknown';
    const now = this.clock.now();
    const refusal = judgeApiKey(timesOf(row, digest), now);
    if (refusal) return refusal;
    await this.#noteUse(row, now, source);
    return {
      kind: 'key',
      id: row.id,
      name: row.name,
      site: row.site,
      rights: rightsOfScopes(readScopes(row.scopes)),
      source,
    };
  }

  async #noteUse(
    { id, site, last_used_at: before }: ApiKeyRow,
    now: Instant,
    source: string,
  ): Promise<void> {
    const last = this.#lastNoted.get(id);
    if (last !== undefined && msBetween(last, now) < USE_NOTED_EVERY_MS) return;
    this.#lastNoted.set(id, now);
    await this.database.transact(async (trx) => {
      await noteApiKeyUse(trx, id, now);
      await recordAudit(trx, {
        site,
        zone: this.zone,
        at: now,
        actor: { kind: 'key', name: id, source },
        action: 'key.used',
        subjectKind: 'key',
        subjectId: id,
        before: { lastUsedAt: before },
        after: { lastUsedAt: now },
      });
    });
  }
}

function timesOf(row: ApiKeyRow, digest: string = row.secret_sha256) {
  const isPrevious = digest !== row.secret_sha256;
  return {
    expiresAt: row.expires_at,
    revokedAt: row.revoked_at,
    replacedUntil: isPrevious ? (row.previous_until ?? (0 as Instant)) : null,
  };
}

function readScopes(text: string): Scope[] {
  const listed: unknown = JSON.parse(text);
  return Array.isArray(listed) ? SCOPES.filter((scope) => listed.includes(scope)) : [];
}
