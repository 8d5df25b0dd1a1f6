import { describe, expect, it } from 'vitest';
import type { Instrument, SiteFolder } from '../../src/site/site-folder.js';
import { noteService } from '../../src/statements/instrument-service.store.js';
import { site as northquay, time } from './conforming-facts.js';
import { StatementWorld } from './statement-world.js';

const SECOND = 'NQ-R-0002';

/** A site folder that says something else of the second instrument. */
function folderWith(over: Partial<Instrument>): SiteFolder {
  const instruments = northquay.instruments.map((i) =>
    i.serial === SECOND ? { ...i, ...over } : i,
  );
  return { ...northquay, instruments };
}

/** What stands once the folder after the first comes into force, which never changes in between. */
async function activate(world: StatementWorld, folder: SiteFolder): Promise<StatementWorld> {
  const { site, instruments } = folder;
  await world.database.transact((trx) => noteService(trx, site, instruments, world.clock.now()));
  return world.withSite(folder);
}

describe('rule 11: an instrument that another site folder says was not in service', () => {
  it.each([
    ['is out of service for good', { inService: false }],
    ['came into service later', { inServiceSince: time('09:00') }],
    ['belongs to another area', { area: 'west-dock' }],
  ])(
    'is heard from all the same about what it could have measured before: it %s',
    async (_what, over) => {
      const world = await activate(await StatementWorld.open(), northquay);
      await world.announce();
      await world.measure({ container: 'D-01' }, { container: 'D-02' });
      await world.hear('NQ-R-0001', time('08:59'));
      await world.setDeliveries('result', 'confirmed');
      await world.statements.evaluateDue(10);
      expect((await world.condition('R-1', 'heard-from-every-instrument'))?.state).toBe('unmet');

      const changed = await activate(world, folderWith(over));
      expect((await changed.statements.fresh('R-1', 'erp')).outcome).toBe('incomplete');
      expect((await changed.condition('R-1', 'heard-from-every-instrument'))?.found).toContain(
        `${SECOND} has never synced`,
      );
      await changed.hear(SECOND, time('08:59'));
      expect((await changed.statements.fresh('R-1', 'erp')).outcome).toBe('conforms');
    },
  );

  it('puts in doubt by its run gaps what stands in the area it was moved from', async () => {
    const world = await activate(await StatementWorld.open(), northquay);
    await world.conform();
    expect(await world.stops()).toEqual([]);
    const moved = await activate(world, folderWith({ area: 'west-dock' }));
    await moved.openUnowned('run-gap:1', { instruments: [SECOND], to: time('09:00') });
    expect(await moved.stops()).toEqual(['4 suspend']);
  });
});
