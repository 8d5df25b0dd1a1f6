import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import { stopsToEscalate } from '../../src/pipeline/stop-escalation.store.js';
import { time } from '../statements/conforming-facts.js';
import { temporaryDatabase } from '../support/temp-database.js';

const SITE = 'northquay';

describe('rule 22: stops that nobody was told of yet', () => {
  it('come before those that somebody was told of, however many of these wait for their destination', async () => {
    const { db, transact } = await temporaryDatabase();
    const issued = time('08:00');
    const stops = Array.from({ length: 205 }, (_, n) => ({
      id: `stop-${n}`,
      site: SITE,
      receipt_id: `R-${n}`,
      kind: 'suspend' as const,
      statement_revision: 2,
      reason: 'a result is missing',
      issued_at: addMs(issued, n),
      effective_at: null,
      lifted_at: null,
      lift_signature_id: null,
      investigation: null,
      lift_revision: null,
    }));
    const told = stops.slice(0, 200).map((stop, n) => ({
      id: `try-${n}`,
      site: SITE,
      stop_id: stop.id,
      number: 1,
      channel: 'email' as const,
      recipient: 'duty@northquay.example',
      person: 'Duty Person (simulated)',
      why: 'not shown by erp',
      at: addMs(time('09:00'), n),
      finished_at: null,
      outcome: null,
      detail: null,
    }));
    await transact(async (trx) => {
      await trx.insertInto('stop').values(stops).execute();
      await trx.insertInto('stop_escalation').values(told).execute();
    });
    const found = (await stopsToEscalate(db, SITE, ['erp'])).map(({ stop }) => stop.id);
    expect(found.slice(0, 6)).toEqual([
      'stop-200',
      'stop-201',
      'stop-202',
      'stop-203',
      'stop-204',
      'stop-0',
    ]);
  });
});
