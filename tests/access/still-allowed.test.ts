import { expect, it } from 'vitest';
import { AccessService } from '../../src/access/access.service.js';
import type { Caller, PersonCaller } from '../../src/access/caller.js';
import { RIGHTS_OF_CONTROL, rightsOfRoles } from '../../src/access/rights.js';
import { ADDRESS, COMMAND_LINE, newAccount, peopleOn, SITE, ZONE } from '../support/people.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

/** Between the guard and the change of an administrator, which is hashing a password at least, another one acts. */

const OTHER: Caller = { ...COMMAND_LINE, id: 'cli', site: SITE, rights: RIGHTS_OF_CONTROL };

async function open() {
  const database = await temporaryDatabase();
  const clock = new ManualClock();
  const { accounts, people } = peopleOn(database, clock);
  const ids: string[] = [];
  for (const userName of ['ada', 'mal']) {
    const account = newAccount(userName, { roles: ['administrator'] });
    const made = await accounts.create(account, COMMAND_LINE);
    ids.push(made.ok ? made.id : made.fault.message);
  }
  await database.transact((trx) =>
    trx.updateTable('account').set({ must_change_password: 0 }).execute(),
  );
  const mal: PersonCaller = {
    kind: 'person',
    id: ids[1] ?? '',
    name: 'Person mal (simulated)',
    userName: 'mal',
    roles: ['administrator'],
    rights: rightsOfRoles(['administrator']),
    operatorIds: [],
    everOperatorIds: [],
    accountIds: [ids[1] ?? ''],
    mustChangePassword: false,
    sessionId: 'session',
    site: SITE,
    source: ADDRESS,
  };
  const keys = new AccessService(database, clock, ZONE);
  const entries = () => database.db.selectFrom('audit_entry').select(['id', 'action']).execute();
  return { people, keys, mal, entries };
}

type World = Awaited<ReturnType<typeof open>>;

/** Everything that the rights of an administrator allow with people and keys. */
function acts({ people, keys, mal }: World): (() => Promise<unknown>)[] {
  const why = { caller: mal, reason: 'because (simulated)' };
  const actor = { kind: 'person', name: mal.id } as const;
  const key = { name: 'late', site: SITE, scopes: ['bundle:write'], expiresAt: null } as const;
  return [
    () => people.unlock('ada', why),
    () => people.create(newAccount('late'), mal),
    () => people.setOperators('ada', ['A'], why),
    () => people.setPredecessor('ada', 'gone', why),
    () => people.setRoles('ada', ['administrator', 'reviewer'], why),
    () => people.resetPassword('ada', why),
    () => people.deactivate('ada', why),
    () => keys.create(key, actor),
    () => keys.rotate(SITE, 'none', { overlapMs: 0, reason: 'late' }, actor),
    () => keys.revoke(SITE, 'none', actor, 'late'),
  ];
}

const left = { caller: OTHER, reason: 'left (simulated)' };

it.each([
  {
    who: 'whose account was ended',
    lose: ({ people }: World) => people.deactivate('mal', left),
    code: 'session-over',
  },
  {
    who: 'who lost the role',
    lose: ({ people }: World) => people.setRoles('mal', ['viewer'], left),
    code: 'right-missing',
  },
  {
    who: 'whose password was reset',
    lose: ({ people }: World) => people.resetPassword('mal', left),
    code: 'password-change-needed',
  },
])('an administrator $who changes nobody and no key', async ({ lose, code }) => {
  const world = await open();
  expect(await lose(world)).toMatchObject({ ok: true });
  const before = await world.entries();
  for (const act of acts(world)) await expect(act()).rejects.toMatchObject({ code });
  expect(await world.entries()).toEqual(before);
});

it('an administrator in force may do all of it', async () => {
  const world = await open();
  for (const act of acts(world)) await act();
  expect((await world.entries()).map(({ action }) => action)).toEqual(
    expect.arrayContaining(['account.unlocked', 'account.deactivated', 'key.created']),
  );
});
