import { describe, expect, it } from 'vitest';
import { AccessService } from '../../src/access/access.service.js';
import { addMs } from '../../src/formats/instant.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

const HERE = '192.0.2.7';
const actor = { kind: 'cli', name: 'test' } as const;

async function access() {
  const database = await temporaryDatabase();
  const clock = new ManualClock();
  return { database, clock, service: new AccessService(database, clock, 'Europe/London') };
}

describe('API keys', () => {
  it('are found by their secret and stored only as a digest', async () => {
    const { database, service } = await access();
    const { id, key } = await service.create(
      { name: 'sync-a', site: 'northquay', scopes: ['bundle:write'], expiresAt: null },
      actor,
    );
    expect(await service.authenticate(key, HERE)).toMatchObject({
      id,
      site: 'northquay',
      rights: new Set(['bundle.write']),
      source: HERE,
    });
    const rows = await database.db.selectFrom('api_key').selectAll().execute();
    const trail = await database.db.selectFrom('audit_entry').selectAll().execute();
    expect(JSON.stringify([rows, trail])).not.toContain(key);
    expect(trail.map((entry) => entry.action)).toEqual(['key.created', 'key.used']);
  });

  it('leave one entry of the trail a minute of use, in the transaction that notes it', async () => {
    const { database, clock, service } = await access();
    const { id, key } = await service.create(
      { name: 'sync-a', site: 'northquay', scopes: ['bundle:write'], expiresAt: null },
      actor,
    );
    const first = clock.now();
    for (let i = 0; i < 3; i += 1) await service.authenticate(key, HERE);
    clock.advance(60_000);
    await service.authenticate(key, HERE);
    const uses = await database.db
      .selectFrom('audit_entry')
      .select(['actor', 'subject_id', 'before', 'after'])
      .where('action', '=', 'key.used')
      .orderBy('at')
      .execute();
    const entry = (before: number | null, after: number) => ({
      actor: id,
      subject_id: id,
      before: JSON.stringify({ lastUsedAt: before }),
      after: JSON.stringify({ lastUsedAt: after }),
    });
    expect(uses).toEqual([entry(null, first), entry(first, clock.now())]);
  });

  it('are refused by name of the reason: unknown, expired, revoked', async () => {
    const { clock, service } = await access();
    const expiring = await service.create(
      { name: 'a', site: 'northquay', scopes: ['read'], expiresAt: addMs(clock.now(), 1000) },
      actor,
    );
    const revoked = await service.create(
      { name: 'b', site: 'northquay', scopes: ['read'], expiresAt: null },
      actor,
    );
    expect(await service.authenticate('dlk_nobody', HERE)).toBe('unknown');
    clock.advance(1000);
    expect(await service.authenticate(expiring.key, HERE)).toBe('expired');
    expect(await service.revoke('northquay', revoked.id, actor, 'lost')).toBe(true);
    expect(await service.revoke('northquay', revoked.id, actor, 'lost')).toBe(false);
    expect(await service.authenticate(revoked.key, HERE)).toBe('revoked');
  });
});
