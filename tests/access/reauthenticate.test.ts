import { describe, expect, it } from 'vitest';
import type { ClockedDatabase } from '../../src/storage/database.js';
import { ADDRESS, COMMAND_LINE, newAccount, PASSWORD, peopleOn } from '../support/people.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

async function world() {
  const database = await temporaryDatabase();
  const clock = new ManualClock();
  const { accounts } = peopleOn(database, clock);
  const made = await accounts.create(
    newAccount('mira.holt', { roles: ['reviewer'], operatorIds: ['MH', 'mholt'] }),
    COMMAND_LINE,
  );
  if (!made.ok) throw new Error(made.fault.message);
  return { database, clock, accounts, id: made.id };
}

/** The person chose a password of their own; the same one, so that a test need keep only one. */
async function chosen(database: ClockedDatabase, id: string): Promise<void> {
  await database.transact((trx) =>
    trx.updateTable('account').set({ must_change_password: 0 }).where('id', '=', id).execute(),
  );
}

async function refusals(database: ClockedDatabase) {
  return (
    database.db
      .selectFrom('audit_entry')
      .select(['action', 'actor_kind', 'actor', 'source', 'reason', 'subject_id'])
      .where('action', 'like', '%.refused')
      // The clock stands still here; a process makes its ids one behind the other.
      .orderBy('id')
      .execute()
  );
}

describe('proving again who one is', () => {
  it('takes the password of the account, and names the person with rights and operator ids', async () => {
    const { database, accounts, id } = await world();
    await chosen(database, id);
    const answer = await accounts.reauthenticate({
      accountId: id,
      userName: 'Mira.Holt',
      password: PASSWORD,
      source: ADDRESS,
    });
    expect(answer).toMatchObject({
      kind: 'proven',
      person: {
        accountId: id,
        userName: 'mira.holt',
        roles: ['reviewer'],
        operatorIds: ['MH', 'mholt'],
      },
    });
    if (answer.kind !== 'proven') return;
    expect(answer.person.rights.has('result.review')).toBe(true);
    expect(answer.person.rights.has('people.manage')).toBe(false);
    expect(await refusals(database)).toEqual([]);
  });

  it('finds the account by user name alone, as a command has it', async () => {
    const { database, accounts, id } = await world();
    await chosen(database, id);
    const asked = { userName: 'MIRA.HOLT', password: PASSWORD, source: ADDRESS };
    expect(await accounts.reauthenticate(asked)).toMatchObject({ kind: 'proven' });
  });

  it('refuses the password and the user name of somebody else, and writes each try into the trail', async () => {
    const { database, accounts, id } = await world();
    await chosen(database, id);
    const other = await accounts.create(
      newAccount('ode.varga', { password: 'eleven kettles on a grey pier' }),
      COMMAND_LINE,
    );
    if (!other.ok) throw new Error(other.fault.message);
    await chosen(database, other.id);
    for (const asked of [
      { accountId: id, password: 'eleven kettles on a grey pier' },
      { accountId: id, userName: 'ode.varga', password: PASSWORD },
      { accountId: id, userName: 'ode.varga', password: 'eleven kettles on a grey pier' },
    ]) {
      expect(await accounts.reauthenticate({ ...asked, source: ADDRESS })).toEqual({
        kind: 'refused',
        why: 'wrong',
        until: null,
      });
    }
    expect(await refusals(database)).toEqual(
      Array.from({ length: 3 }, () => ({
        action: 're-authentication.refused',
        actor_kind: 'person',
        actor: id,
        source: ADDRESS,
        reason: 'wrong password',
        subject_id: id,
      })),
    );
  });

  it('is shut for a minute after five wrong tries, longer after each more, and open after a right one', async () => {
    const { database, clock, accounts, id } = await world();
    await chosen(database, id);
    const tried = (password: string) =>
      accounts.reauthenticate({ accountId: id, password, source: ADDRESS });
    for (let n = 0; n < 5; n += 1) expect(await tried('wrong')).toMatchObject({ why: 'wrong' });
    expect(await tried(PASSWORD)).toEqual({
      kind: 'refused',
      why: 'locked',
      until: clock.now() + 60_000_000,
    });
    clock.advance(60_000);
    expect(await tried('wrong')).toMatchObject({ why: 'wrong' });
    clock.advance(119_999);
    expect(await tried(PASSWORD)).toMatchObject({ why: 'locked' });
    clock.advance(1);
    expect(await tried(PASSWORD)).toMatchObject({ kind: 'proven' });
    expect(await tried('wrong')).toMatchObject({ why: 'wrong' });
    expect((await refusals(database)).map((entry) => entry.reason)).toEqual([
      ...Array.from({ length: 5 }, () => 'wrong password'),
      'too many tries',
      'wrong password',
      'too many tries',
      'wrong password',
    ]);
  });

  it('refuses who still has the password that an administrator gave', async () => {
    const { accounts, id } = await world();
    expect(
      await accounts.reauthenticate({ accountId: id, password: PASSWORD, source: ADDRESS }),
    ).toMatchObject({ kind: 'refused', why: 'must-change-password' });
  });

  it('looks at five of a hundred tries made at once, and no more', async () => {
    const { accounts, id } = await world();
    const answers = await Promise.all(
      Array.from({ length: 100 }, () =>
        accounts.reauthenticate({ accountId: id, password: 'guess', source: ADDRESS }),
      ),
    );
    const count = (why: string) =>
      answers.filter((answer) => answer.kind === 'refused' && answer.why === why).length;
    expect([count('wrong'), count('locked')]).toEqual([5, 95]);
  });
});
