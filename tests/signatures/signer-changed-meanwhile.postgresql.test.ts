import { describe, expect, it } from 'vitest';
import type { Caller } from '../../src/access/caller.js';
import type { PeopleAnswer, PeopleService } from '../../src/access/people.service.js';
import { RIGHTS_OF_CONTROL } from '../../src/access/rights.js';
import { bindShown } from '../../src/signatures/shown-document.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { ReviewBench } from '../pipeline/review-bench.js';
import { somebodyWaits } from '../support/lock-waits.js';
import { ADDRESS, peopleOn } from '../support/people.js';
import { until } from '../support/until.js';
import { SHOWN } from './signed.js';

/** Two transactions on two connections: one signs, the other changes the account of who signs. */

/** The next transactions of a database, each held with all its work done until it is told to commit. */
function held(database: OpenDatabase) {
  let open: () => void = () => undefined;
  let reach: () => void = () => undefined;
  const opened = new Promise<void>((resolve) => {
    open = resolve;
  });
  const reached = new Promise<void>((resolve) => {
    reach = resolve;
  });
  const holding: OpenDatabase = {
    db: database.db,
    transact: (work) =>
      database.transact(async (trx) => {
        const answer = await work(trx);
        reach();
        await opened;
        return answer;
      }),
    close: () => database.close(),
  };
  return { holding, reached, commit: () => open() };
}

async function aboutToSign() {
  const bench = await ReviewBench.open();
  const who = await bench.person('robin');
  const { subject } = SHOWN;
  const answer = await bench.signing.prove(who, { meaning: 'cleared', subject });
  if (answer.kind === 'not-proven') throw new Error(answer.why);
  const { database, clock, site } = bench.bench;
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
    now: clock.now(),
  } as const;
  const entry = { action: 'result.cleared', after: {} };
  const sign = (over: OpenDatabase) =>
    over.transact((trx) => bench.signing.sign(trx, answer.proof, act, entry));
  const caller: Caller = {
    ...{ kind: 'cli', id: 'cli', name: 'command line', site: site.site },
    ...{ rights: RIGHTS_OF_CONTROL, source: ADDRESS },
  };
  const peopleOver = (over: OpenDatabase) => peopleOn(over, clock, site.site).people;
  return { bench, database, sign, peopleOver, why: { caller, reason: 'told by the test' } };
}

type Why = Awaited<ReturnType<typeof aboutToSign>>['why'];

const CHANGES: [string, (people: PeopleService, why: Why) => Promise<PeopleAnswer>, string][] = [
  ['is deactivated', (people, why) => people.deactivate('robin', why), 'right-missing'],
  [
    'gets another password',
    (people, why) => people.resetPassword('robin', why),
    'signature-sitting-over',
  ],
  ['loses a role', (people, why) => people.setRoles('robin', ['viewer'], why), 'right-missing'],
  [
    'turns out to have measured it',
    (people, why) => people.setOperators('robin', ['op-7'], why),
    'duty-own-result',
  ],
];

describe('whoever signs while the account', () => {
  it.each(CHANGES)('%s waits for that, and signs nothing', async (_, change, why) => {
    const world = await aboutToSign();
    const { holding, reached, commit } = held(world.database);
    const changing = change(world.peopleOver(holding), world.why);
    await reached;
    let isAnswered = false;
    const signing = world.sign(world.database).finally(() => {
      isAnswered = true;
    });
    await until(
      'the signature waits or is made',
      async () => isAnswered || (await somebodyWaits(world.database)),
    );
    commit();
    expect(await changing).toMatchObject({ ok: true });
    expect(await signing).toMatchObject({ kind: 'refused', why });
    expect(await world.bench.db.selectFrom('signature').select('id').execute()).toEqual([]);
  });

  it('is about to be deactivated signs, and is deactivated behind the signature', async () => {
    const world = await aboutToSign();
    const { holding, reached, commit } = held(world.database);
    const signing = world.sign(holding);
    await reached;
    let isAnswered = false;
    const ending = world
      .peopleOver(world.database)
      .deactivate('robin', world.why)
      .finally(() => {
        isAnswered = true;
      });
    await until(
      'the deactivation waits or is made',
      async () => isAnswered || (await somebodyWaits(world.database)),
    );
    const didWait = !isAnswered;
    commit();
    expect(didWait).toBe(true);
    expect(await signing).toMatchObject({ kind: 'signed' });
    expect(await ending).toMatchObject({ ok: true });
    const entries = await world.bench.db
      .selectFrom('audit_entry')
      .select('action')
      .where('action', 'in', ['result.cleared', 'account.deactivated'])
      .orderBy('id')
      .execute();
    expect(entries.map(({ action }) => action)).toEqual(['result.cleared', 'account.deactivated']);
  });
});
