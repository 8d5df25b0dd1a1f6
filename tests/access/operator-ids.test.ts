import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { judgeDuty } from '../../src/access/duties.js';
import type { Because } from '../../src/access/people.service.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { ReviewBench } from '../pipeline/review-bench.js';
import { COMMAND_LINE, newAccount, peopleOn } from '../support/people.js';

/** One id on the instruments is one person, now and in every record of the past (docs/wire.md). */

const why: Because = {
  caller: { ...COMMAND_LINE, id: 'cli', site: 'northquay', rights: new Set() },
  reason: 'was entered wrongly',
};

async function world() {
  const bench = await ReviewBench.open();
  await bench.announce();
  const { database, clock } = bench.bench;
  const { people, accounts } = peopleOn(database, clock);
  await bench.person('olga', { operatorIds: ['OP-1'] });
  await bench.person('otto');
  const ids = async (name: string) => (await people.find(name))?.operatorIds;
  const refuses = async (name: string) => {
    const person = await people.find(name);
    if (person === null) throw new Error(`there is no ${name}`);
    const duty = { kind: 'judge-result', right: 'result.review', operatorIds: ['op-1'] } as const;
    return judgeDuty(person, duty)?.code ?? null;
  };
  const measure = (operatorId = 'op-1') => bench.settle(goodParts([goodResult(1, { operatorId })]));
  return { bench, people, accounts, ids, refuses, measure };
}

describe('an operator id that an administrator takes from somebody', () => {
  it('goes on meaning them: what they measured is theirs, and nobody else gets it', async () => {
    const { bench, people, accounts, ids, refuses, measure } = await world();
    await measure('Op-1\u200b');
    expect(await people.setOperators('olga', ['OP-7'], why)).toMatchObject({ ok: true });
    expect(await ids('olga')).toEqual(['OP-7']);
    expect((await people.find('olga'))?.everOperatorIds).toEqual(['OP-1', 'OP-7']);
    expect(await refuses('olga')).toBe('duty-own-result');
    const given = await people.setOperators('otto', ['op-1'], why);
    expect(given).toMatchObject({
      ok: false,
      refusal: { fault: { message: expect.stringContaining('olga measured as op-1') } },
    });
    const made = await accounts.create(newAccount('new', { operatorIds: ['op-1'] }), COMMAND_LINE);
    expect(made).toMatchObject({ ok: false, fault: { field: 'operatorIds' } });
    expect(await bench.trail('account.operators-changed')).toHaveLength(1);
  });

  it('comes back into force where it is given to them again', async () => {
    const { people, ids, measure } = await world();
    await measure();
    await people.setOperators('olga', [], why);
    expect(await people.setOperators('olga', ['op-1'], why)).toMatchObject({ ok: true });
    expect(await ids('olga')).toEqual(['op-1']);
    expect((await people.find('olga'))?.everOperatorIds).toEqual(['op-1']);
  });

  it('goes to whom it belongs where nothing was measured under it, and the trail says from whom', async () => {
    const { bench, people, ids, refuses } = await world();
    expect(await people.setOperators('otto', ['OP-1'], why)).toMatchObject({
      refusal: { fault: { message: 'another person measures as OP-1: olga' } },
    });
    await people.setOperators('olga', [], why);
    // Taken and given to nobody, it is hers all the same: what she measured may be on its way.
    expect(await refuses('olga')).toBe('duty-own-result');
    expect(await people.setOperators('otto', ['OP-1'], why)).toMatchObject({ ok: true });
    expect([await ids('olga'), await ids('otto')]).toEqual([[], ['OP-1']]);
    expect(await refuses('olga')).toBeNull();
    expect(await refuses('otto')).toBe('duty-own-result');
    const olga = await people.find('olga');
    const entries = await bench.trail('account.operators-changed');
    expect(JSON.parse(entries.at(-1)?.before ?? '')).toEqual({
      operatorIds: [],
      takenFrom: [{ operatorId: 'OP-1', accountId: olga?.accountId }],
    });
  });

  it('is kept by the database too', async () => {
    const { bench } = await world();
    const change = (statement: string) =>
      bench.bench.database.transact((trx) => sql.raw(statement).execute(trx));
    await expect(change('delete from account_operator')).rejects.toThrow('operator ids are kept');
    await expect(change("update account_operator set account_id = 'other'")).rejects.toThrow(
      'an operator id in force belongs to one person',
    );
  });
});
