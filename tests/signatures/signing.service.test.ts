import { type RawBuilder, sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { replaceOperators } from '../../src/access/accounts.store.js';
import type { Caller } from '../../src/access/caller.js';
import { RIGHTS_OF_CONTROL } from '../../src/access/rights.js';
import { bindShown } from '../../src/signatures/shown-document.js';
import type { Trx } from '../../src/storage/database.js';
import { dialectOf } from '../../src/storage/dialect.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { ReviewBench } from '../pipeline/review-bench.js';
import { ADDRESS, peopleOn } from '../support/people.js';
import { spoilTakenDatabases } from '../support/postgres-server.js';
import { isPostgres } from '../support/temp-database.js';
import { SHOWN } from './signed.js';

/** 21 CFR 11.70 on a live database, against somebody who owns it. */

const OFFSET = { measuredAt: '2026-07-01T12:11:00+02:00' };

async function signedTwice() {
  const bench = await ReviewBench.open();
  await bench.announce();
  const reviewer = await bench.person('robin');
  await bench.settle(goodParts([1, 2].map((n) => goodResult(n, OFFSET))));
  await bench.review('clear', await bench.rowId('R-1'), reviewer);
  await bench.review('refuse', await bench.rowId('R-2'), reviewer);
  const [first, second] = await bench.db
    .selectFrom('signature')
    .selectAll()
    .orderBy('id')
    .execute();
  if (!first || !second) throw new Error('nobody signed');
  const run = (statement: RawBuilder<unknown>) =>
    bench.bench.database.transact((trx) => statement.execute(trx));
  return { bench, first, second, run };
}

/** What the owner of a database can do and nobody else: takes the guards of the table away. */
async function unguard(bench: ReviewBench): Promise<void> {
  const { db } = bench;
  if (dialectOf(db).name === 'postgresql') {
    spoilTakenDatabases();
    await sql`alter table signature disable trigger user`.execute(db);
    return;
  }
  const { rows } = await sql<{ name: string }>`select name from sqlite_master
    where type = 'trigger' and tbl_name = 'signature'`.execute(db);
  await bench.bench.database.transact(async (trx) => {
    for (const { name } of rows) await sql.raw(`drop trigger "${name}"`).execute(trx);
  });
  expect(rows.length).toBeGreaterThan(0);
}

describe('signatures in a database', () => {
  it('are whole, and the database itself refuses to change or delete one', async () => {
    const { bench, first, run } = await signedTwice();
    expect(await bench.signing.verify()).toEqual({ checked: 2, broken: [] });
    const message = /signature rows are kept as written/;
    await expect(run(sql`update signature set meaning = 'approved'`)).rejects.toThrow(message);
    await expect(run(sql`delete from signature where id = ${first.id}`)).rejects.toThrow(message);
    expect(await bench.signing.verify()).toEqual({ checked: 2, broken: [] });
  });

  it('are found when they were edited, moved, copied or cut out by its owner', async () => {
    const { bench, first, second, run } = await signedTwice();
    await unguard(bench);
    const faults = async () =>
      (await bench.signing.verify()).broken.map((b) => `${b.signatureId} ${b.fault}`);
    await run(sql`update signature set meaning = 'approved' where id = ${first.id}`);
    expect(await faults()).toEqual([`${first.id} altered`]);
    await run(sql`update signature set meaning = 'cleared' where id = ${first.id}`);
    expect(await faults()).toEqual([]);
    await run(sql`update signature set subject_id = ${second.subject_id} where id = ${first.id}`);
    expect(await faults()).toEqual([`${first.id} altered`]);
    await run(sql`update signature set subject_id = ${first.subject_id} where id = ${first.id}`);
    const copy = { ...first, id: `${first.id}-copy`, series_number: 9, digest: 'other' };
    await bench.bench.database.transact((trx) =>
      trx.insertInto('signature').values(copy).execute(),
    );
    expect(await faults()).toEqual([`${copy.id} altered`]);
    await run(sql`delete from signature where id in (${copy.id}, ${second.id})`);
    expect(await faults()).toEqual([`${second.id} missing`]);
  });

  it('that are cut out leave their result waiting: nothing stands by a signature that is not there', async () => {
    const { bench, first, run } = await signedTwice();
    await unguard(bench);
    await run(sql`delete from signature where id = ${first.id}`);
    expect(await bench.found('no-open-discrepancy')).toContain(
      'cleared by a signature that is void',
    );
    const { waiting } = await bench.reviews.list('', 10);
    expect(waiting).toMatchObject([{ resultId: 'R-1', heldBy: ['signature-void'] }]);
  });
});

describe('who has proven who they are and signs a while later', () => {
  async function proven() {
    const bench = await ReviewBench.open();
    const who = await bench.person('robin');
    const { subject } = SHOWN;
    const answer = await bench.signing.prove(who, { meaning: 'cleared', subject });
    if (answer.kind === 'not-proven') throw new Error(answer.why);
    const shown = bindShown(SHOWN);
    const act = {
      subject,
      shown,
      namedSha256: shown.sha256,
      meaning: 'cleared',
      reason: 'the sync log shows it',
      right: 'result.review',
      duty: { kind: 'judge-result', right: 'result.review', operatorIds: ['op-7'] },
      recordFrom: null,
      now: bench.bench.clock.now(),
    } as const;
    const signIn = (trx: Trx) =>
      bench.signing.sign(trx, answer.proof, act, { action: 'result.cleared', after: {} });
    const sign = () => bench.bench.database.transact(signIn);
    return { bench, sign, signIn };
  }

  it('signs, as long as nothing changed about the account', async () => {
    const { sign } = await proven();
    expect(await sign()).toMatchObject({ kind: 'signed' });
  });

  it('does not sign once the account is not in force any more', async () => {
    const { bench, sign } = await proven();
    const at = bench.bench.clock.now();
    await bench.db.updateTable('account').set({ deactivated_at: at }).execute();
    expect(await sign()).toMatchObject({ kind: 'refused', why: 'right-missing' });
  });

  it('does not sign by a password that was reset meanwhile', async () => {
    const { bench, sign } = await proven();
    const { people } = peopleOn(bench.bench.database, bench.bench.clock, bench.bench.site.site);
    const caller: Caller = {
      ...{ kind: 'cli', id: 'cli', name: 'command line', site: bench.bench.site.site },
      ...{ rights: RIGHTS_OF_CONTROL, source: ADDRESS },
    };
    const reset = await people.resetPassword('robin', { caller, reason: 'it was overheard' });
    expect(reset.ok).toBe(true);
    expect(await sign()).toMatchObject({ kind: 'refused', why: 'signature-sitting-over' });
    expect(await bench.db.selectFrom('signature').select('id').execute()).toEqual([]);
  });

  it('does not sign by a right that was taken away meanwhile', async () => {
    const { bench, sign } = await proven();
    await bench.db.deleteFrom('account_role').execute();
    expect(await sign()).toMatchObject({ kind: 'refused', why: 'right-missing' });
  });

  it('does not judge what was measured under an operator id that is known to be its own by now', async () => {
    const { bench, sign } = await proven();
    const { id } = await bench.db.selectFrom('account').select('id').executeTakeFirstOrThrow();
    const of = { accountId: id, accountIds: [id], site: bench.bench.site.site };
    await bench.bench.database.transact((trx) =>
      replaceOperators(trx, of, ['op-7'], bench.bench.clock.now()),
    );
    expect(await sign()).toMatchObject({ kind: 'refused', why: 'duty-own-result' });
  });

  it('is asked to sign again where the same session signed at the same moment', async () => {
    const { bench, sign, signIn } = await proven();
    const second: { answer?: ReturnType<typeof sign> } = {};
    const first = await bench.bench.database.transact(async (trx) => {
      const answer = await signIn(trx);
      second.answer = sign();
      // Until the other waits for this one; where one process owns the file, it begins behind it.
      if (isPostgres) await sql`select pg_sleep(0.5)`.execute(trx);
      return answer;
    });
    expect(first).toMatchObject({ kind: 'signed' });
    const refusal = { kind: 'refused', why: 'signature-sitting-over' };
    expect(await second.answer).toMatchObject(isPostgres ? refusal : { kind: 'signed' });
    const open = await bench.db
      .selectFrom('signing_sitting')
      .select('id')
      .where('ended_at', 'is', null)
      .execute();
    expect(open).toHaveLength(1);
  });
});
