import { describe, expect, it } from 'vitest';
import { actorOf, type PersonCaller } from '../../src/access/caller.js';
import { rightsOfRoles } from '../../src/access/rights.js';
import type { ClockedDatabase } from '../../src/storage/database.js';
import { ADDRESS, COMMAND_LINE, newAccount, peopleOn } from '../support/people.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

const MINUTE = 60_000;

async function world() {
  const database = await temporaryDatabase();
  const clock = new ManualClock();
  const made = await peopleOn(database, clock).accounts.create(newAccount('mira'), COMMAND_LINE);
  if (!made.ok) throw new Error(made.fault.message);
  const accountId = made.id;
  /** A process that has just started on the same database. */
  const started = (site?: string) => peopleOn(database, clock, site).sessions;
  const sessions = started();
  const begin = () =>
    database.transact((trx) => sessions.start(trx, { accountId, source: ADDRESS, agent: 'test' }));
  return { database, clock, accountId, sessions, started, begin };
}

async function endings(database: ClockedDatabase) {
  const rows = await database.db
    .selectFrom('audit_entry')
    .select('reason')
    .where('action', '=', 'session.ended')
    .execute();
  return rows.map((row) => row.reason);
}

describe('a session and the clock', () => {
  it('ends a quarter of an hour after the last request, and half a day after it began', async () => {
    const { clock, sessions, begin } = await world();
    const secret = await begin();
    for (let n = 0; n < 51; n += 1) {
      clock.advance(14 * MINUTE);
      expect(await sessions.find(secret)).toMatchObject({ kind: 'live' });
    }
    clock.advance(6 * MINUTE);
    expect(await sessions.find(secret)).toEqual({ kind: 'over', why: 'lasted as long as it may' });
    const idle = await begin();
    clock.advance(15 * MINUTE);
    expect(await sessions.find(idle)).toEqual({ kind: 'over', why: 'not used for too long' });
  });

  it('is not revived by a clock that is set back after it was found to be over', async () => {
    const { database, clock, sessions, begin } = await world();
    const secret = await begin();
    clock.advance(20 * MINUTE);
    expect(await sessions.find(secret)).toMatchObject({ kind: 'over' });
    clock.advance(-15 * MINUTE);
    expect(await sessions.find(secret)).toEqual({ kind: 'over', why: 'not used for too long' });
    expect(await endings(database)).toEqual(['not used for too long']);
  });

  it('is not prolonged by a clock that is set back: it ends', async () => {
    const { database, clock, sessions, begin } = await world();
    const secret = await begin();
    clock.advance(10 * MINUTE);
    expect(await sessions.find(secret)).toMatchObject({ kind: 'live' });
    clock.advance(-9 * MINUTE);
    expect(await sessions.find(secret)).toEqual({ kind: 'over', why: 'clock set back' });
    clock.advance(9 * MINUTE);
    expect(await sessions.find(secret)).toEqual({ kind: 'over', why: 'clock set back' });
    expect(await endings(database)).toEqual(['clock set back']);
  });

  it('ends at a start on a clock behind the trail, when nobody can tell how long it lasted', async () => {
    const { database, clock, begin, started, accountId } = await world();
    const secret = await begin();
    clock.advance(14 * MINUTE);
    const later = peopleOn(database, clock);
    await later.accounts.create(newAccount('ode'), COMMAND_LINE);
    clock.advance(-13 * MINUTE);
    const restarted = started();
    expect(await restarted.find(secret)).toEqual({ kind: 'over', why: 'clock set back' });
    // Who signs in after that stays.
    const anew = await database.transact((trx) =>
      restarted.start(trx, { accountId, source: ADDRESS, agent: 'test' }),
    );
    clock.advance(2 * MINUTE);
    expect(await restarted.find(anew)).toMatchObject({ kind: 'live' });
  });

  it('is of one site: the gateway of another knows nobody by it', async () => {
    const { sessions, started, begin } = await world();
    const secret = await begin();
    expect(await started('southquay').find(secret)).toEqual({ kind: 'over', why: 'unknown' });
    expect(await sessions.find(secret)).toMatchObject({ kind: 'live' });
  });
});

/** Everybody has a password of their own by now, or they may do nothing. */
async function chosePasswords(database: ClockedDatabase): Promise<void> {
  await database.transact((trx) =>
    trx.updateTable('account').set({ must_change_password: 0 }).execute(),
  );
}

describe('the last administrator', () => {
  it('stays when two administrators deactivate each other at once', async () => {
    const database = await temporaryDatabase();
    const clock = new ManualClock();
    const { people, accounts } = peopleOn(database, clock);
    const callers: PersonCaller[] = [];
    for (const userName of ['ada', 'ben']) {
      const roles = ['administrator'] as const;
      const made = await accounts.create(newAccount(userName, { roles }), COMMAND_LINE);
      if (!made.ok) throw new Error(made.fault.message);
      callers.push({
        kind: 'person',
        id: made.id,
        name: userName,
        userName,
        site: 'northquay',
        source: ADDRESS,
        roles,
        rights: rightsOfRoles(roles),
        sessionId: 's',
        operatorIds: [],
        accountIds: [made.id],
        everOperatorIds: [],
        mustChangePassword: false,
      });
    }
    const [ada, ben] = callers as [PersonCaller, PersonCaller];
    expect(actorOf(ada)).toEqual({ kind: 'person', name: ada.id, source: ADDRESS });
    await chosePasswords(database);
    const answers = await Promise.allSettled([
      people.deactivate('ben', { caller: ada, reason: 'x' }),
      people.deactivate('ada', { caller: ben, reason: 'x' }),
    ]);
    // Whoever comes second has no account any more by then.
    const failed = answers.flatMap((a) => (a.status === 'rejected' ? [String(a.reason)] : []));
    expect(failed).toEqual([expect.stringContaining('session-over')]);
    expect(answers.filter((a) => a.status === 'fulfilled' && a.value.ok)).toHaveLength(1);
    const active = (await people.list()).filter(({ deactivatedAt }) => deactivatedAt === null);
    expect(active).toHaveLength(1);
  });
});

describe('operator ids', () => {
  it('belong to one person, however they are written, and are dropped by somebody else only', async () => {
    const database = await temporaryDatabase();
    const { people, accounts } = peopleOn(database, new ManualClock());
    const own = { roles: ['administrator'], operatorIds: ['MH'] } as const;
    const first = await accounts.create(newAccount('mira', own), COMMAND_LINE);
    expect(first.ok).toBe(true);
    const second = await accounts.create(
      newAccount('ode', { operatorIds: ['ｍｈ'] }),
      COMMAND_LINE,
    );
    expect(second).toMatchObject({ ok: false, fault: { field: 'operatorIds' } });
    expect(await people.find('ode')).toBeNull();
    await chosePasswords(database);
    const self = { kind: 'person', id: first.ok ? first.id : '' } as PersonCaller;
    const drop = await people.setOperators('mira', [], { caller: self, reason: 'x' });
    expect(drop).toMatchObject({ ok: false, refusal: { kind: 'duty' } });
    expect((await people.find('mira'))?.operatorIds).toEqual(['MH']);
  });
});
