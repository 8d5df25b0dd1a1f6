import { describe, expect, it } from 'vitest';
import type { DeliveryRow } from '../../src/storage/tables.js';
import { StatementWorld } from '../statements/statement-world.js';
import { type Held, SweptWorld } from './swept-world.js';

/** A result of R-1 that `lims` accepted and holds. */
async function sent() {
  const world = await StatementWorld.open();
  await world.announce();
  const swept = SweptWorld.over(world);
  await world.measure({ container: 'D-01' });
  const first = (await swept.confirmAll()).find((row) => row.subject_kind === 'result');
  if (first === undefined) throw new Error('nothing was sent');
  const item = [...swept.held.values()].find((held) => held['ref'] === first.id);
  return { swept, first, item: item as Held };
}

/** A person has it built anew, in the place of the one before. */
async function rebuild(swept: SweptWorld, of: DeliveryRow): Promise<string> {
  const id = `build-2-of-${of.id}`;
  await swept.db
    .updateTable('delivery')
    .set({ state: 'superseded' })
    .where('id', '=', of.id)
    .execute();
  const fresh = { state: 'due', attempts: 0, payload_sha256: null, fault: null } as const;
  const row = { ...of, ...fresh, id, build: 2, seq: of.seq + 1, idempotency_key: id };
  await swept.db.insertInto('delivery').values(row).execute();
  return id;
}

async function reject(swept: SweptWorld, of: DeliveryRow): Promise<void> {
  const rejected = { state: 'rejected', accepted_at: null, confirmed_at: null } as const;
  await swept.db.updateTable('delivery').set(rejected).where('id', '=', of.id).execute();
}

describe('two records of one result under two builds', () => {
  it('are a finding for as long as the earlier one is there, and none behind that', async () => {
    const { swept, first } = await sent();
    await reject(swept, first);
    await swept.sweep();
    const unknown = `unknown-at-source held:lims:${first.id}`;
    expect(await swept.open()).toEqual([unknown]);
    await rebuild(swept, first);
    await swept.confirmAll();
    await swept.sweep();
    expect(await swept.open()).toEqual([unknown]);
    await swept.sweep();
    expect(await swept.open()).toEqual([unknown]);
    swept.silent.add(first.id);
    swept.lose(first.id);
    await swept.sweep();
    // Not listed is not gone.
    expect(await swept.open()).toEqual([unknown]);
    swept.silent.clear();
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
  });

  it('are found where the earlier one, which was absent, arrives late', async () => {
    const { swept, first, item } = await sent();
    swept.lose(first.id);
    await swept.sweep();
    expect(await swept.open()).toEqual([`absent held:lims:${first.id}`]);
    await rebuild(swept, first);
    await swept.confirmAll();
    swept.held.set('late', item);
    await swept.sweep();
    expect(await swept.open()).toEqual([`unknown-at-source held:lims:${first.id}`]);
  });

  it('are none where the destination keeps both as one, under its own number', async () => {
    const { swept, first, item } = await sent();
    await swept.sweep();
    const second = await rebuild(swept, first);
    await swept.confirmAll();
    await swept.db
      .updateTable('delivery')
      .set({ destination_reference: String(item['no']) })
      .where('id', '=', second)
      .execute();
    // Asked about the later build it shows its one record, which it lists under the reference of the first.
    swept.show(second, { no: item['no'] });
    swept.unlisted.add(second);
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
  });
});

describe('what was absent', () => {
  it('is over once a later build of it is confirmed and it is not there itself', async () => {
    const { swept, first } = await sent();
    swept.lose(first.id);
    await swept.sweep();
    const absent = `absent held:lims:${first.id}`;
    expect(await swept.open()).toEqual([absent]);
    const second = await rebuild(swept, first);
    await swept.sweep();
    expect(await swept.open()).toEqual([absent]);
    await swept.confirmAll();
    swept.silent.add(first.id);
    await swept.sweep();
    expect(await swept.open()).toEqual([absent]);
    swept.silent.clear();
    await swept.sweep();
    expect(await swept.open()).toEqual([]);
    const { closing_evidence: evidence } = await swept.db
      .selectFrom('discrepancy')
      .select('closing_evidence')
      .where('class', '=', 'absent')
      .executeTakeFirstOrThrow();
    expect(evidence).toContain(second);
  });
});
