import { sql } from 'kysely';
import { beforeEach, describe, expect, it } from 'vitest';
import { judge } from '../../src/simulation/judge.js';
import { add, goodWorld } from '../simulation/support/world.js';
import { StatementWorld } from '../statements/statement-world.js';
import { type Bite, doubtedMessages, missingMax } from './harness/doubts.js';

describe('the doubts that excuse a loss at a destination that cannot be asked', () => {
  let world: StatementWorld;
  let deliveryId: string;

  beforeEach(async () => {
    world = await StatementWorld.open();
    await world.announce();
    await world.measure({ container: 'D-01' });
    const { id } = await delivery().select('id').executeTakeFirstOrThrow();
    deliveryId = id;
    await park({ destination: 'archive', fault: 'contract' });
  });

  const delivery = () =>
    world.database.db.selectFrom('delivery').where('message', '=', 'result').limit(1);

  async function park(values: Record<string, unknown>): Promise<void> {
    await world.database.db
      .updateTable('delivery')
      .set({ state: 'parked', ...values })
      .where('id', '=', deliveryId)
      .execute();
  }

  async function attempt(number: number, outcome: string | null, kind: 'send' | 'ask' = 'send') {
    const { site } = world.site;
    const now = world.clock.now();
    await world.database.db
      .insertInto('attempt')
      .values({
        ...{ id: `attempt-${number}`, site, delivery_id: deliveryId, number, kind, fence: number },
        ...{ worker: 'worker-1', started_at: now, finished_at: outcome === null ? null : now },
        ...{ outcome, status: null, answer: null, detail: null },
      })
      .execute();
  }

  const doubted = () =>
    doubtedMessages(
      async (text) => (await sql.raw(text).execute(world.database.db)).rows,
      'archive',
    );

  /** Of a good world whose archive lacks the one result that the database speaks of. */
  async function lost(): Promise<number> {
    const of = goodWorld();
    const [lims] = of.destinations();
    if (!lims) throw new Error('the world has a LIMS');
    const first = of.truth.measured[0];
    if (first) of.truth.measured[0] = { ...first, resultId: 'result-1' };
    of.lims.messages.shift();
    const archive = { ...lims, fields: { ...lims.fields, statements: null } };
    const judged = { ...archive, kind: 'neither' as const, doubted: await doubted() };
    return judge(of.truth, [judged]).sinks.lost;
  }

  it('are none where it was parked before anything was sent', async () => {
    expect(await doubted()).toEqual([]);
    expect(await lost()).toBe(1);
  });

  it.each(['unavailable', 'withheld', 'postponed', 'credentials', 'rejected', 'accepted', null])(
    'are none behind a send that ended as %s',
    async (outcome) => {
      await attempt(1, outcome);
      await attempt(2, 'unavailable', 'ask');
      expect(await lost()).toBe(1);
    },
  );

  it.each(['uncertain', 'lost'])('stand behind a send that is %s', async (outcome) => {
    await attempt(1, 'unavailable');
    await attempt(2, outcome);
    expect(await doubted()).toEqual([{ resultId: 'result-1', messageType: 'result', revision: 1 }]);
    expect(await lost()).toBe(0);
    await park({ destination: 'lims' });
    expect(await lost()).toBe(1);
    await park({ destination: 'archive', state: 'due' });
    expect(await lost()).toBe(1);
    await park({ destination: 'archive', message: 'withdrawal' });
    expect(await lost()).toBe(1);
  });

  it('stand behind the send of a withdrawal that is lost, under the revision that it takes back', async () => {
    const { site } = world.site;
    const row = await delivery().select('subject_id').executeTakeFirstOrThrow();
    await world.database.db
      .insertInto('withdrawal')
      .values({
        ...{ id: 'withdrawal-1', site, result_row_id: row.subject_id, result_id: 'result-1' },
        ...{ result_revision: 2, receipt_id: null, reason: 'refused', document: '{}' },
        issued_at: world.clock.now(),
      })
      .execute();
    await attempt(1, 'lost');
    await park({ message: 'withdrawal', subject_kind: 'withdrawal', subject_id: 'withdrawal-1' });
    await park({ subject_revision: 2 });
    expect(await doubted()).toEqual([
      { resultId: 'result-1', messageType: 'withdrawal', revision: 2 },
    ]);
    // The result itself is none of what waits behind it.
    expect(await lost()).toBe(1);
    await park({ state: 'superseded' });
    expect(await doubted()).toEqual([]);
  });

  it('excuse nothing that ERP says of a receipt, where nothing was sent to the archive', async () => {
    const of = goodWorld();
    add(of.erp, 'statement', { Receipt: 'good', Revision: '3', UsageDecision: 'AWAITING' });
    const first = of.truth.measured[0];
    if (first) of.truth.measured[0] = { ...first, resultId: 'result-1' };
    const content = (text: string) => text.replace('res-good-1', 'result-1');
    for (const books of [of.lims, of.erp]) {
      const [message] = books.messages;
      if (message) books.messages[0] = { ...message, content: content(message.content) };
    }
    const [lims, erp] = of.destinations();
    if (!lims || !erp) throw new Error('the world has two destinations');
    const archive = { ...lims, fields: { ...lims.fields, statements: null } };
    const different = async () =>
      judge(of.truth, [{ ...archive, doubted: await doubted() }, erp]).sinks.different;
    expect(await different()).toBe(1);
    await attempt(1, 'lost');
    expect(await different()).toBe(0);
  });
});

describe('what was injected', () => {
  const max = (workerKills: number, ...bites: Bite[]) =>
    missingMax({ workerKills, bites, destination: 'archive', inFlightMax: 8 });
  const bite = (fault: Partial<Bite['fault']> & Pick<Bite['fault'], 'kind'>, times = 1): Bite => ({
    fault: { forMs: 0, ...fault },
    times,
  });

  it('explains nothing missing where no worker and no database was hurt', () => {
    const away = { role: 'serve', index: 0 } as const;
    expect(max(0)).toBe(0);
    expect(
      max(
        0,
        bite({ kind: 'pause', target: away, forMs: 10_800 }),
        bite({ kind: 'redis-absent', forMs: 5000 }),
        bite({ kind: 'burst', forMs: 3000 }),
        bite({ kind: 'sink-error-document', sink: 'lims' }, 40),
        bite({ kind: 'sink-restart', sink: 'erp', forMs: 900 }),
        bite({ kind: 'sink-reset', sink: 'archive' }, 40),
        // Stored all the same, or refused, which is no doubt.
        bite({ kind: 'sink-store-late', sink: 'archive', forMs: 4000 }, 40),
        bite({ kind: 'sink-unavailable', sink: 'archive', forMs: 4000 }, 40),
        bite({ kind: 'sink-reject', sink: 'archive', forMs: 4000 }, 40),
        bite({ kind: 'sink-hang', sink: 'erp', forMs: 4000 }, 40),
      ),
    ).toBe(0);
  });

  it('explains what was under way at a kill, and what a destination answered and forgot', () => {
    expect(max(3)).toBe(24);
    expect(max(0, bite({ kind: 'sink-error-document', sink: 'archive' }, 40))).toBe(40);
    expect(max(0, bite({ kind: 'sink-hang', sink: 'archive' }, 7))).toBe(7);
    expect(max(1, bite({ kind: 'sink-restart', sink: 'archive', forMs: 900 }))).toBe(24);
    expect(max(0, bite({ kind: 'postgres-restart' }))).toBe(8);
  });
});
