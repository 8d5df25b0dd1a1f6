import { describe, expect, it } from 'vitest';
import { nameSubject } from '../../src/access/password-proof.service.js';
import { ADDRESS, COMMAND_LINE, newAccount, PASSWORD, peopleOn, SITE } from '../support/people.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

/** What an address may try before it is shut (`SOURCE_RULE`), and a name (`NAME_RULE`). */
const TRIES_OF_SOURCE = 30;
const TRIES_OF_NAME = 5;
const MINUTE_US = 60_000_000;
const ELSEWHERE = '192.0.2.8';

async function world() {
  const database = await temporaryDatabase();
  const clock = new ManualClock();
  const { accounts, proofs } = peopleOn(database, clock);
  const made = await accounts.create(newAccount('mira.holt'), COMMAND_LINE);
  if (!made.ok) throw new Error(made.fault.message);
  const account = await database.db
    .selectFrom('account')
    .selectAll()
    .where('id', '=', made.id)
    .executeTakeFirstOrThrow();
  /** Of the account when the name is its own. */
  const sign = (userName: string, password: string, source = ADDRESS) =>
    proofs.prove({
      ...{ site: SITE, userName, password, source, purpose: 'sign-in' },
      account: userName === 'mira.holt' ? account : null,
    });
  /** Of the account, whatever was typed before its name. */
  const proveAs = (userName: string, password: string) =>
    proofs.prove({
      ...{ site: SITE, userName, password, source: ADDRESS, purpose: 'sign-in' },
      account,
    });
  const rows = () =>
    database.db.selectFrom('sign_in_tries').selectAll().orderBy('subject').execute();
  const of = async (subject: string) => (await rows()).find((row) => row.subject === subject);
  /** Shuts the address by its last free try; those before are put into its row, since each takes as long as a password does. */
  const shut = async () => {
    const row = { failures: TRIES_OF_SOURCE - 1, last_at: clock.now(), blocked_until: null };
    await database.transact((trx) =>
      trx
        .insertInto('sign_in_tries')
        .values({ site: SITE, subject: `source:${ADDRESS}`, turned_away: 0, ...row })
        .execute(),
    );
    expect(await sign('invented', 'guess')).toMatchObject({ why: 'wrong' });
  };
  return { database, clock, account, sign, proveAs, rows, of, shut };
}

describe('an address that is shut after too many tries', () => {
  it('leaves no row of the names that it goes on to try', async () => {
    const { clock, sign, rows, of, shut } = await world();
    await shut();
    const before = await rows();
    expect(before).toHaveLength(2);
    for (let n = 0; n < 100; n += 1) {
      expect(await sign(`other-${n}`, 'guess')).toEqual({
        kind: 'refused',
        why: 'locked',
        until: clock.now() + MINUTE_US,
      });
    }
    expect(await rows()).toHaveLength(before.length);
    expect((await of(`source:${ADDRESS}`))?.turned_away).toBe(100);
  });

  it('does not get at the count of a name, which is open from elsewhere', async () => {
    const { database, account, sign, of, shut } = await world();
    const subject = nameSubject('mira.holt');
    expect(await sign('mira.holt', 'wrong', ELSEWHERE)).toMatchObject({ why: 'wrong' });
    const before = await of(subject);
    await shut();
    expect(await sign('mira.holt', PASSWORD)).toMatchObject({ why: 'locked' });
    expect(await of(subject)).toEqual(before);
    expect(await sign('mira.holt', PASSWORD, ELSEWHERE)).toMatchObject({ kind: 'proven' });
    const refusals = await database.db
      .selectFrom('audit_entry')
      .select(['subject_id', 'reason', 'after'])
      .where('action', '=', 'sign-in.refused')
      .where('reason', '=', 'too many tries')
      .execute();
    expect(refusals.map((entry) => entry.subject_id)).toEqual([account.id]);
    expect(refusals[0]?.after).toContain('"triesWhileBlocked":1');
  });

  it('leaves a name shut however it is typed', async () => {
    const { proveAs, sign } = await world();
    for (let n = 0; n <= TRIES_OF_NAME; n += 1) await sign('mira.holt', 'wrong', ELSEWHERE);
    for (const typed of ['mira.holt', ' MIRA.HOLT', `${' '.repeat(1000)}mira.holt`]) {
      expect(await proveAs(typed, PASSWORD)).toMatchObject({ kind: 'refused', why: 'locked' });
    }
    expect(nameSubject(`${' '.repeat(1000)}mira.holt`)).toBe(nameSubject('mira.holt'));
  });

  it('hears of a name that is shut for longer when that ends, and is open again at its time', async () => {
    const { clock, sign, shut } = await world();
    for (let n = 0; n < TRIES_OF_NAME; n += 1) await sign('mira.holt', 'wrong', ELSEWHERE);
    clock.advance(60_000);
    // The sixth shuts it for two minutes.
    await sign('mira.holt', 'wrong', ELSEWHERE);
    const nameEnd = clock.now() + 2 * MINUTE_US;
    await shut();
    const refused = { kind: 'refused', why: 'locked' };
    const sourceEnd = clock.now() + MINUTE_US;
    expect(await sign('mira.holt', PASSWORD)).toEqual({ ...refused, until: nameEnd });
    expect(await sign('nobody', 'guess')).toEqual({ ...refused, until: sourceEnd });
    clock.advance(60_000);
    expect(await sign('nobody', 'guess')).toMatchObject({ why: 'wrong' });
  });
});
