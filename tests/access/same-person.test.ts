import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { judgeDuty } from '../../src/access/duties.js';
import type { Because } from '../../src/access/people.service.js';
import { ReviewBench } from '../pipeline/review-bench.js';
import { COMMAND_LINE, newAccount, peopleOn } from '../support/people.js';

/** Rule 15 asks for somebody else, and an account that ended and the next one of its person are not two people. */

const why: Because = {
  caller: { ...COMMAND_LINE, id: 'cli', site: 'northquay', rights: new Set() },
  reason: 'came back in May, staff number 114',
};

async function world() {
  const bench = await ReviewBench.open();
  const { people, accounts } = peopleOn(bench.bench.database, bench.bench.clock);
  const make = (userName: string, changes: Parameters<typeof newAccount>[1] = {}) =>
    accounts.create(newAccount(userName, { roles: ['reviewer'], ...changes }), COMMAND_LINE);
  const found = async (name: string) => {
    const person = await people.find(name);
    if (person === null) throw new Error(`there is no ${name}`);
    return person;
  };
  const refuses = async (name: string, operatorId: string) => {
    const duty = {
      kind: 'judge-result',
      right: 'result.review',
      operatorIds: [operatorId],
    } as const;
    return judgeDuty(await found(name), duty)?.code ?? null;
  };
  /** Somebody whose account has ended. */
  const left = async (userName: string, operatorIds: readonly string[]) => {
    await make(userName, { operatorIds });
    await people.deactivate(userName, why);
  };
  return { bench, people, make, found, refuses, left };
}

const again = (userName: string) => ({ predecessor: { userName, reason: why.reason } });

describe('an account that goes on from one that ended', () => {
  it('is the same person from the start: ids pass with it, and what was measured before is their own', async () => {
    const { bench, make, found, refuses, left } = await world();
    await left('olga', ['OP-11']);
    expect(await make('olga2', { ...again('OLGA'), operatorIds: ['OP-12'] })).toMatchObject({
      ok: true,
    });
    const [before, now] = [await found('olga'), await found('olga2')];
    expect(now).toMatchObject({
      operatorIds: ['OP-11', 'OP-12'],
      accountIds: [now.accountId, before.accountId],
      predecessors: ['olga'],
      successor: null,
    });
    expect(before.successor).toBe('olga2');
    expect(await refuses('olga2', 'op-11')).toBe('duty-own-result');
    expect(await refuses('olga2', 'op-13')).toBeNull();
    const [, entry] = await bench.trail('account.created');
    expect(entry?.reason).toBe(why.reason);
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({
      operatorIds: ['OP-11', 'OP-12'],
      predecessor: { accountId: before.accountId, userName: 'olga', operatorIds: ['OP-11'] },
    });
  });

  it('is named later too, over several accounts, also with ids that were taken from one of them', async () => {
    const { bench, people, make, found, refuses, left } = await world();
    await make('olga', { operatorIds: ['OP-11', 'OP-12'] });
    await people.setOperators('olga', ['OP-12'], why);
    await people.deactivate('olga', why);
    await make('olga2');
    await people.setPredecessor('olga2', 'olga', why);
    await people.deactivate('olga2', why);
    await left('temp', ['T-1']);
    await make('olga3');
    expect(await people.setPredecessor('olga3', 'olga2', why)).toEqual({ ok: true });
    expect(await people.setPredecessor('olga3', 'temp', why)).toEqual({ ok: true });
    for (const id of ['OP-11', 'OP-12', 'T-1']) {
      expect(await refuses('olga3', id)).toBe('duty-own-result');
    }
    const [, , entry] = await bench.trail('account.predecessor-named');
    expect(entry).toMatchObject({ reason: why.reason, actor: 'cli' });
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({ predecessor: { userName: 'temp' } });
    // The ids are theirs to give and to end; one under which nothing was reported may go on to somebody else.
    expect(await people.setOperators('olga3', ['op-12', 'OP-9'], why)).toEqual({ ok: true });
    expect((await found('olga3')).operatorIds).toEqual(['op-12', 'OP-9']);
    expect(await refuses('olga3', 'T-1')).toBe('duty-own-result');
    expect(await make('otto', { operatorIds: ['T-1'] })).toMatchObject({ ok: true });
  });

  it('is asked for where somebody wants an id of an account that ended', async () => {
    const { make, left } = await world();
    await left('olga', ['OP-11']);
    expect(await make('olga2', { operatorIds: ['OP-11'] })).toMatchObject({
      fault: {
        message:
          'another person measures as OP-11: olga; if it is the same person, name olga as predecessor',
      },
    });
  });

  it('is of one that ended and goes on as no other; nobody is two people, nor their own predecessor', async () => {
    const { bench, people, make, left } = await world();
    await make('otto');
    await left('olga', ['OP-11']);
    const refused = (message: string) => ({
      ok: false,
      refusal: { fault: { field: 'predecessor', message: expect.stringContaining(message) } },
    });
    await make('robin');
    expect(await people.setPredecessor('robin', 'otto', why)).toMatchObject(
      refused('otto is in force; deactivate it first'),
    );
    expect(await people.setPredecessor('robin', 'Robin', why)).toMatchObject(
      refused('robin is in force'),
    );
    expect(await people.setPredecessor('robin', 'nobody', why)).toMatchObject(
      refused('nobody has, or had, the user name nobody'),
    );
    expect(await make('new', again('otto'))).toMatchObject({ fault: { field: 'predecessor' } });
    expect(await make('olga2', again('olga'))).toMatchObject({ ok: true });
    expect(await people.setPredecessor('robin', 'olga', why)).toMatchObject(
      refused('olga goes on as olga2'),
    );
    // A ring would take one that ended for the successor, and none that ended is changed.
    await people.deactivate('olga2', why);
    expect(await people.setPredecessor('olga', 'olga2', why)).toMatchObject({
      refusal: { kind: 'unknown' },
    });
    expect(await bench.db.selectFrom('account_predecessor').selectAll().execute()).toHaveLength(1);
    expect(await people.find('new')).toBeNull();
    for (const change of ['delete from', 'update']) {
      const rest = change === 'update' ? " set account_id = 'other'" : '';
      const run = bench.bench.database.transact((trx) =>
        sql.raw(`${change} account_predecessor${rest}`).execute(trx),
      );
      await expect(run).rejects.toThrow('one person holds for good');
    }
  });

  it('is one other, also when two are named at once', async () => {
    const { make, people, left } = await world();
    await left('olga', ['OP-11']);
    await make('robin');
    const answers = await Promise.all([
      make('olga2', again('olga')),
      people.setPredecessor('robin', 'olga', why),
    ]);
    expect(answers.filter(({ ok }) => ok)).toHaveLength(1);
  });
});
