import { TrailReviewService } from '../../src/pipeline/trail-review.service.js';
import { SigningService } from '../../src/signatures/signing.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { change, NONE, SITE, sealerOn } from '../audit/sealing-world.js';
import { ADDRESS, COMMAND_LINE, newAccount, peopleOn } from '../support/people.js';
import { ManualClock } from '../support/temp-database.js';

/** A sealed trail of some entries, people, and the service that reviews it, over one database. */
export async function reviewedWorld(database: OpenDatabase, entries = 5, comparing = NONE) {
  const clock = new ManualClock();
  const { sealer } = await sealerOn(database, { clock, checkpointEveryEntries: 1_000 });
  const { accounts } = peopleOn(database, clock);
  const site = { site: SITE, timeZone: 'Europe/Berlin' };
  const signing = new SigningService(database, clock, accounts, site);
  const reviews = new TrailReviewService({
    database,
    clock,
    site,
    signing,
    comparing: () => comparing,
  });
  const person = async (userName: string, roles: readonly ('signer' | 'viewer')[] = ['signer']) => {
    const account = newAccount(userName, { roles });
    const made = await accounts.create(account, COMMAND_LINE);
    if (!made.ok) throw new Error(made.fault.message);
    await database.transact((trx) =>
      trx.updateTable('account').set({ must_change_password: 0 }).execute(),
    );
    const who: SigningRequest = {
      actor: { kind: 'person', name: made.id, source: ADDRESS },
      accountId: made.id,
      sessionId: `session of ${userName}`,
      userName,
      password: account.password,
      source: ADDRESS,
    };
    return who;
  };
  await change(database, entries, clock);
  await sealer.sealAll();
  const look = async () => {
    const view = await reviews.show(null);
    if (view === null) throw new Error('nothing is due');
    return { last: view.shown.record.last, shownSha256: view.sha256, record: view.shown.record };
  };
  const sign = async (who: SigningRequest, asked = look(), findings = 'nothing unexpected') => {
    const { last, shownSha256 } = await asked;
    clock.advance(1000);
    return reviews.sign({ last, shownSha256, findings }, who);
  };
  return { database, clock, sealer, reviews, person, look, sign };
}
