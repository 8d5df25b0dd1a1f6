import { describe, expect, it } from 'vitest';
import type { Looking } from '../../src/delivery/looking.service.js';
import type { Instant } from '../../src/formats/instant.js';
import { Adoption } from '../../src/reconciliation/adoption.service.js';
import { isRecognisable } from '../../src/reconciliation/recognisable.js';
import type { HeldList } from '../../src/site/mapping-document.js';
import type { DestinationHoldingRow } from '../../src/storage/tables.js';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';
import { LIST } from './list.js';

/** A result that was measured before the restore, and what its delivery becomes before it is sent. */
async function becomes(list: HeldList | null, held: Partial<DestinationHoldingRow> | null = null) {
  const world = await StatementWorld.open();
  await world.announce();
  await world.measure({ container: 'D-01' });
  const { database, clock, site } = world;
  const row = await database.db
    .selectFrom('delivery')
    .selectAll()
    .where('destination', '=', 'lims')
    .where('subject_kind', '=', 'result')
    .executeTakeFirstOrThrow();
  if (held !== null) {
    const holding = {
      site: site.site,
      destination: 'lims',
      identity: 'L-1',
      reference: null,
      message: 'result',
      receipt_id: 'R-1',
      subject: 'result-1',
      revision: 1,
      held_at: time('08:30'),
      may_permit: 0,
      item: '{}',
      first_sweep: 'sweep-1',
      last_sweep: 'sweep-1',
      settled_at: null,
      ...held,
    } as const;
    await database.db.insertInto('destination_holding').values(holding).execute();
  }
  const adoption = new Adoption({
    database,
    clock,
    site,
    looking: {
      compareContent: () => Promise.resolve({ kind: 'one' }),
      keptText: (text: string) => text,
    } as unknown as Looking,
    canRecognise: (_name, kind) => isRecognisable(list, kind),
    recoveringSince: time('09:00') as Instant,
  });
  const recognition = await adoption.recognise(row);
  if (recognition === null) return 'sent';
  await database.transact((trx) => recognition(trx, row));
  const { state, fault } = await database.db
    .selectFrom('delivery')
    .select(['state', 'fault'])
    .where('id', '=', row.id)
    .executeTakeFirstOrThrow();
  return fault === null ? state : `${state} ${fault}`;
}

describe('a result from before a restore', () => {
  it('is recognised in what the list shows of its id and revision, and sent where it shows nothing', async () => {
    expect(await becomes(LIST)).toBe('sent');
    expect(await becomes(LIST, {})).toBe('confirmed');
    expect(await becomes(LIST, { revision: 2 })).toBe('sent');
  });

  it.each([
    ['no list', null],
    ['no revision', { ...LIST, revision: null }],
    ['no result', { ...LIST, result: null }],
    ['no word for what a message is', { ...LIST, message: null }],
    ['no word for a result', { ...LIST, message: { held: '/kind', codes: { stop: 'S' } } }],
  ])('is parked where it could not be recognised: %s', async (_what, list) => {
    expect(await becomes(list)).toBe('parked cannot-ask');
  });

  it.each([
    ['its revision', { revision: null }],
    ['what it is', { message: null }],
  ])('is parked where a message about it does not show %s', async (_what, held) => {
    expect(await becomes(LIST, held)).toBe('parked differs');
  });
});
