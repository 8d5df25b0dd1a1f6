import { describe, expect, it } from 'vitest';
import type { Instant } from '../../src/formats/instant.js';
import { markAnnouncedReceiptsDue } from '../../src/receipts/facts.store.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import { site } from './conforming-facts.js';
import { StatementWorld } from './statement-world.js';

// What a receipt was said to be while the site folder did not name a destination (release-safety rule 20).

const erp = site.destinations.find(({ name }) => name === 'erp');
if (erp === undefined) throw new Error('the site of these tests has an erp');
const withWarehouse: SiteFolder = {
  ...site,
  destinations: [...site.destinations, { ...erp, name: 'warehouse' }],
};

/** The same site with other destinations, activated as at a start. */
async function activated(world: StatementWorld, folder: SiteFolder): Promise<StatementWorld> {
  const now = world.withSite(folder);
  world.clock.advance(60_000);
  await now.database.transact((trx) => markAnnouncedReceiptsDue(trx, site.site));
  await now.statements.evaluateDue(10);
  return now;
}

function without(folder: SiteFolder, name: string): SiteFolder {
  return { ...folder, destinations: folder.destinations.filter((d) => d.name !== name) };
}

/** R-1 conforms and every destination has shown it. */
async function conforming(folder: SiteFolder): Promise<StatementWorld> {
  const world = await StatementWorld.open(folder);
  await world.conform();
  await world.setDeliveries('statement', 'confirmed');
  await world.statements.evaluateDue(10);
  return world;
}

/** A result that passed turns out to have failed, as a correction of its revision would have it. */
async function fails(world: StatementWorld, rowId: string): Promise<void> {
  const now: Instant = world.clock.now();
  await world.database.transact(async (trx) => {
    await trx
      .updateTable('result')
      .set({ decision: 'fail', contrary: 1 })
      .where('id', '=', rowId)
      .execute();
    await world.statements.evaluateInTransaction(trx, 'R-1', now);
  });
}

async function messagesOf(world: StatementWorld, destination: string): Promise<string[]> {
  return (await world.messages()).filter((m) => m.startsWith(`${destination} `));
}

describe('an acting destination that was out of the site folder while a receipt was stopped', () => {
  it('is told of the stop when it is back', async () => {
    const world = await conforming(site);
    expect(await messagesOf(world, 'erp')).toContain('erp statement 3 confirmed');
    const gone = await activated(world, without(site, 'erp'));
    await fails(gone, 'row-2');
    expect(await messagesOf(gone, 'erp')).not.toContainEqual(expect.stringContaining('stop'));

    const back = await activated(gone, site);
    expect(await messagesOf(back, 'erp')).toContainEqual(
      expect.stringMatching(/^erp stop \d+ due$/),
    );
    expect((await back.stops()).at(-1)).toMatch(/ withdraw$/);
    expect(await back.statements.hasOpenStops()).toBe(true);
    // Said once: nothing of it is news any more.
    const told = await back.told();
    await activated(back, site);
    expect(await back.told()).toEqual(told);
  });

  it('is told also where another one has shown the stop meanwhile', async () => {
    const world = await conforming(withWarehouse);
    const gone = await activated(world, without(withWarehouse, 'erp'));
    await fails(gone, 'row-2');
    await gone.setDeliveries('stop', 'confirmed');
    const { database, statements, clock } = gone;
    await database.transact((trx) => statements.updateStopEffectiveness(trx, clock.now()));
    expect(await statements.hasOpenStops()).toBe(false);

    const back = await activated(gone, withWarehouse);
    expect(await messagesOf(back, 'erp')).toContainEqual(
      expect.stringMatching(/^erp stop \d+ due$/),
    );
    expect(await back.statements.hasOpenStops()).toBe(true);
  });

  it('is not told of what did not change', async () => {
    const world = await conforming(withWarehouse);
    const told = await world.told();
    const gone = await activated(world, without(withWarehouse, 'erp'));
    const back = await activated(gone, withWarehouse);
    expect(await back.told()).toEqual(told);
  });

  it('is told nothing of a receipt that it never heard of', async () => {
    const world = await conforming(without(site, 'erp'));
    await fails(world, 'row-2');
    const told = await world.told();
    const back = await activated(world, site);
    expect(await messagesOf(back, 'erp')).toEqual([]);
    expect(await back.told()).toEqual(told);
  });
});
