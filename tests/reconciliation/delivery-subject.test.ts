import { describe, expect, it } from 'vitest';
import { formatInstant } from '../../src/formats/instant.js';
import { deliverySubject } from '../../src/reconciliation/delivery-subject.store.js';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';

/** Release-safety rules 28 and 30: what a destination may hold from before a restore goes by the earliest time. */
describe('the subject of a delivery', () => {
  it('was measured when it says so, or at the earliest where its offset was assumed', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    const at = time('08:30');
    await world.measure({ container: 'D-01', at });
    await world.measure({ container: 'D-02', at, timeSource: 'assumed' });
    const { db } = world.database;
    const rows = await db
      .selectFrom('delivery')
      .innerJoin('result', 'result.id', 'delivery.subject_id')
      .select(['subject_kind', 'subject_id', 'container_label'])
      .where('subject_kind', '=', 'result')
      .execute();
    const from = new Map<string | null, string>();
    for (const row of rows) {
      const subject = await deliverySubject(db, row);
      from.set(row.container_label, formatInstant(subject?.measuredFrom ?? time('00:00')));
    }
    expect(from).toEqual(
      new Map([
        ['D-01', '2026-03-04T08:30:00.000000Z'],
        // 08:30 on a clock 14 h ahead of UTC.
        ['D-02', '2026-03-03T18:30:00.000000Z'],
      ]),
    );
  });
});
