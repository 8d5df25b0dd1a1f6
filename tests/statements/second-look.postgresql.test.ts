import { describe, expect, it } from 'vitest';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import { SecondLook } from '../../src/pipeline/second-look.service.js';
import { transactLocking } from '../../src/receipts/receipt-locks.store.js';
import { somebodyWaits } from '../support/lock-waits.js';
import { until } from '../support/until.js';
import { time } from './conforming-facts.js';
import { StatementWorld } from './statement-world.js';

describe('results that are owed a second look', () => {
  it('cover nothing until they were looked at; then their receipt is evaluated and conforms', async () => {
    const world = await StatementWorld.open();
    const { database, clock, site, statements } = world;
    await world.announce();
    await world.measure({ container: 'D-01' }, { container: 'D-02' });
    await world.hear('NQ-R-0001', time('08:59'));
    await world.hear('NQ-R-0002', time('08:59'));
    await world.setDeliveries('result', 'confirmed');
    const { bundle_row_id } = await database.db
      .selectFrom('result')
      .select('bundle_row_id')
      .distinct()
      .executeTakeFirstOrThrow();
    await database.db
      .insertInto('second_look')
      .values({ bundle_row_id, site: site.site })
      .execute();

    await statements.evaluateDue(10);
    const before = await world.told();
    expect(before.filter((one) => !one.endsWith('incomplete'))).toEqual([]);
    expect(await world.condition('R-1', 'coverage')).toMatchObject({ state: 'unmet' });

    const messages = new ResultMessages(site, new Map(), 1);
    const look = new SecondLook({ database, clock, site, statements, messages });
    expect(await look.round()).toEqual({ bundles: 1, hasStop: false, isMore: false });
    await statements.evaluateDue(10);
    expect(await world.told()).toEqual([...before, `${before.length + 1} conforms`]);
    expect(await world.stops()).toEqual([]);
  });

  it.each([
    ['of another receipt', 'R-1'],
    ['of none', null],
  ])(
    'count for the receipt that a result %s is given to while its lock is waited for',
    async (_, from) => {
      const world = await StatementWorld.open();
      const { database, site, clock, statements } = world;
      await world.announce({ receiptId: 'R-1' });
      await world.announce({ receiptId: 'R-2', line: '2', scanText: 'GR-2/1' });
      await world.measure({ container: 'D-01' });
      const { bundle_row_id } = await database.db
        .selectFrom('result')
        .select('bundle_row_id')
        .executeTakeFirstOrThrow();
      await database.db
        .insertInto('second_look')
        .values({ bundle_row_id, site: site.site })
        .execute();
      await database.db.updateTable('result').set({ receipt_id: from }).execute();
      await database.db.updateTable('receipt').set({ evaluation_due: 0 }).execute();
      const messages = new ResultMessages(site, new Map(), 1);
      let looking: Promise<unknown> = Promise.resolve();
      // As a signed attribution does, and evaluates both: for R-2 the result covers nothing yet.
      await transactLocking(database, site.site, async (trx, locks) => {
        if (from === null) {
          await locks.add(['R-2']);
          await locks.evidence();
        } else await locks.add(['R-1', 'R-2']);
        await trx.updateTable('result').set({ receipt_id: 'R-2' }).execute();
        looking = new SecondLook({ database, clock, site, statements, messages }).round();
        await until('the look waits', () => somebodyWaits(database));
      });
      await looking;
      const due = await database.db
        .selectFrom('receipt')
        .select('evaluation_due')
        .where('id', '=', 'R-2')
        .executeTakeFirstOrThrow();
      expect(due).toEqual({ evaluation_due: 1 });
    },
  );
});
