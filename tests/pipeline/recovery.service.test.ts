import { describe, expect, it } from 'vitest';
import type { DeliveryParts } from '../../src/delivery/delivery-parts.service.js';
import { Looking } from '../../src/delivery/looking.service.js';
import { addMs, formatInstant, type Instant, msBetween } from '../../src/formats/instant.js';
import { RecoveryService } from '../../src/pipeline/recovery.service.js';
import { SweepService } from '../../src/reconciliation/sweep.service.js';
import { SweepFindings } from '../../src/reconciliation/sweep-findings.service.js';
import type { MappingDocument } from '../../src/site/mapping-document.js';
import type { InstanceRow } from '../../src/storage/tables.js';
import { site, time } from '../statements/conforming-facts.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

/** From a read-back that was given up to the next one. */
const AGAIN_MS = 60_000;
const LISTED = { list: {} } as unknown as MappingDocument;

describe('rule 28: the sweeps that a recovery rests on', () => {
  async function restoredWith(factsUntil: Instant) {
    const database = await temporaryDatabase();
    const clock = new ManualClock(time('12:00'));
    const atStart: InstanceRow = {
      id: 'instance',
      epoch: 2,
      created_at: time('06:00'),
      place: null,
      tick: 1,
      recovering: 'restored',
      recovering_since: time('11:00'),
      facts_until: factsUntil,
    };
    await database.transact((trx) => trx.insertInto('instance').values(atStart).execute());
    const names = site.destinations.map((d) => d.name);
    const nothing = () => Promise.resolve();
    const sweeps = new SweepService({
      database,
      clock,
      site,
      worker: { id: 'worker', mayStart: true },
      looking: new Looking({} as DeliveryParts),
      documents: new Map(names.map((name) => [name, LISTED])),
      findings: new SweepFindings(database, clock, site, {
        evaluate: () => Promise.resolve(null),
        openUnowned: nothing,
        onChanged: () => undefined,
      }),
      since: addMs(time('11:00'), 0),
    });
    const started = (isOutlived = false) =>
      new RecoveryService({
        database,
        clock,
        site,
        atStart,
        isOutlived: () => isOutlived,
        onResumed: () => undefined,
      });
    const startAgain = (isOutlived = false) => started(isOutlived).requestSweeps(sweeps);
    const state = () => started().state(sweeps);
    return { database, clock, names, startAgain, state };
  }

  it('are put down once, and anew after a while where one was given up', async () => {
    const { database, clock, names, startAgain, state } = await restoredWith(time('10:00'));
    const requested = async () =>
      (await database.db.selectFrom('sweep').select(['destination', 'state']).execute())
        .map((s) => `${s.destination} ${s.state}`)
        .sort();
    const listing = names.map((name) => `${name} listing`).sort();

    await startAgain();
    await startAgain();
    expect(await requested()).toEqual(listing);
    await database.db
      .updateTable('sweep')
      .set({ state: 'failed', detail: 'no list any more', finished_at: clock.now() })
      .execute();
    // What gives up for a fixed reason would do so again at every beat.
    await startAgain();
    expect(await requested()).toEqual(names.map((name) => `${name} failed`).sort());
    expect((await state()).givenUp).toEqual(
      names.map((destination) => ({ destination, detail: 'no list any more' })),
    );
    clock.advance(AGAIN_MS - 1);
    await startAgain();
    expect(await requested()).toEqual(names.map((name) => `${name} failed`).sort());
    clock.advance(1);
    await startAgain();
    const failed = names.map((name) => `${name} failed`);
    expect(await requested()).toEqual([...listing, ...failed].sort());
  });

  // What was sent in the last moment before the loss is visible there only after the destination's times.
  it('are put down once what was sent last must be visible, and count only from then on', async () => {
    const { database, clock, names, startAgain, state } = await restoredWith(time('10:00'));
    const visibleAt = addMs(time('11:00'), 1500 + 400 + 500);
    const sweeps = () => database.db.selectFrom('sweep').select(['destination', 'to_at']).execute();
    clock.advance(msBetween(time('12:00'), addMs(visibleAt, -1)));
    expect(await startAgain()).toEqual([]);
    expect(await sweeps()).toEqual([]);
    expect(await state()).toMatchObject({
      notReadBack: names,
      readBackNotBefore: formatInstant(visibleAt),
    });

    clock.advance(1);
    expect((await startAgain()).map((d) => d.name)).toEqual(names);
    expect(await startAgain()).toEqual([]);
    expect(await sweeps()).toEqual(
      names.map((destination) => ({ destination, to_at: time('11:00') })),
    );
    expect(await state()).toMatchObject({ notReadBack: names, readBackNotBefore: null });
    await database.db
      .updateTable('sweep')
      .set({ state: 'done', finished_at: clock.now() })
      .execute();
    expect(await state()).toMatchObject({ notReadBack: [], readBackNotBefore: null });

    // Ended a moment too early, as one that an earlier version put down.
    await database.db
      .updateTable('sweep')
      .set({ to_at: addMs(time('11:00'), -1) })
      .execute();
    expect(await state()).toMatchObject({ notReadBack: names });
    expect((await startAgain()).map((d) => d.name)).toEqual(names);
  });

  it('are not put down by a process whose database began another life', async () => {
    const { database, startAgain } = await restoredWith(time('10:00'));
    expect(await startAgain(true)).toEqual([]);
    expect(await database.db.selectFrom('sweep').select('id').execute()).toEqual([]);
  });

  it.each([
    ['an hour before the last known fact', time('10:00'), time('09:00')],
    ['before the restore, when another clock was a little ahead', time('11:30'), time('10:30')],
    // By how much that clock was ahead nobody knows, and so not when the backup was made.
    ['at the beginning, when the last fact lies far ahead', time('14:00'), 0],
  ])('begin %s', async (_, factsUntil, from) => {
    const { startAgain, database } = await restoredWith(factsUntil);
    await startAgain();
    const made = await database.db.selectFrom('sweep').select('from_at').execute();
    expect(made).toEqual(site.destinations.map(() => ({ from_at: from })));
  });
});
