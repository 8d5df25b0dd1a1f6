import { describe, expect, it } from 'vitest';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import { SecondLook } from '../../src/pipeline/second-look.service.js';
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
});
