import { type Kysely, sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { recordAudit } from '../../src/audit/audit.store.js';
import { addMs, type Instant } from '../../src/formats/instant.js';
import { openDiscrepancy } from '../../src/reconciliation/discrepancies.store.js';
import { type DatabasePlace, openDatabase } from '../../src/storage/database.js';
import { up } from '../../src/storage/migrations/m0025-assumed-offsets.js';
import { bringBack } from '../../src/storage/migrations/m0032-one-person.js';
import { up as sharedDifferences } from '../../src/storage/migrations/m0033-shared-differences.js';
import { up as findingsOfResults } from '../../src/storage/migrations/m0036-findings-of-results.js';
import { up as judgedAnew } from '../../src/storage/migrations/m0038-judged-anew.js';
import type { Tables } from '../../src/storage/tables.js';
import { StatementWorld } from '../statements/statement-world.js';
import { leftAt, opensWhole, tablesIn } from '../support/migrated.js';
import { COMMAND_LINE, newAccount, peopleOn, SITE, ZONE } from '../support/people.js';
import { blankPlace, ManualClock, temporaryDatabase, writerOf } from '../support/temp-database.js';

/** The last migration that leaves apart what those before it have judged anew. */
const BEFORE_ALL_ARE_DUE = '0037-noise-curves';

async function dueIn(db: Kysely<Tables>): Promise<string[]> {
  const due = db.selectFrom('receipt').select('id').where('evaluation_due', '=', 1);
  return (await due.orderBy('id').execute()).map(({ id }) => id);
}

async function onDatabase(place: DatabasePlace, statement: string): Promise<void> {
  const db = writerOf(place);
  await sql.raw(statement).execute(db);
  await db.destroy();
}

describe('a migration', () => {
  it('that fails leaves nothing, says what is in its way, and runs once that is gone', async () => {
    const place = await blankPlace();
    // One of the last tables that the first migration makes.
    await onDatabase(place, 'create table audit_entry (other text)');
    await expect(openDatabase(place)).rejects.toMatchObject({
      code: 'database-migration-failed',
      found: expect.stringMatching(/0001-spine: .*audit_entry.* already exists/),
    });
    expect(await tablesIn(place)).toEqual(['audit_entry']);
    await onDatabase(place, 'drop table audit_entry');
    await opensWhole(place);
  });

  it.each([
    ['assumed offsets', up],
    ['destinations that were away, and fails behind a split,', judgedAnew],
  ])('to what judges %s has every announced receipt judged anew', async (_, migrate) => {
    const world = await StatementWorld.open();
    await world.conform();
    const { db } = world.database;
    await db.updateTable('receipt').set({ evaluation_due: 0 }).execute();
    await migrate(db as unknown as Kysely<unknown>);
    const receipts = await db
      .selectFrom('receipt')
      .select(['announced', 'evaluation_due'])
      .execute();
    expect(receipts).toEqual([{ announced: 1, evaluation_due: 1 }]);
  });

  it('to addenda in their order keeps every line, and has noted what they lack', async () => {
    const place = await blankPlace();
    const line = 'insert into period_change (id, site, addendum_id, at, subject, detail) values';
    const discrepancy = `insert into discrepancy (id, site, class, subject, detail, opened_at, closed_at,
      closing_evidence, derived, counts_from) values`;
    await leftAt(place, '0028-doubts-to-resend', async (db) => {
      for (const statement of [
        `insert into period (id, site, from_at, to_at, document, digest, closed_at, closed_by, signature, reason)
          values ('P', 's', 100, 200, '{}', 'd', 300, 'a', 'g', 'r')`,
        "insert into period_addendum (id, site, period_id, number, opened_at) values ('A', 's', 'P', 1, 310)",
        `${line} ('3', 's', 'A', 320, 'delivery:D', 'rejected closed: delivery:D is confirmed')`,
        `${line} ('2', 's', 'A', 310, 'delivery:D', 'rejected opened: refused')`,
        `${line} ('1', 's', 'A', 320, 'result:R', 'result r, container C of receipt X, is held')`,
        // Opened again: the rule of that version took its line for the first one.
        `${discrepancy} ('D1', 's', 'rejected', 'delivery:D', 'refused', 310, 320, 'delivery:D is confirmed', 1, 150)`,
        `${discrepancy} ('D2', 's', 'rejected', 'delivery:D', 'refused', 330, null, null, 1, 150)`,
        // By an event, and one of before the signature, and one of another day.
        `${discrepancy} ('D3', 's', 'run-gap', 'runs:7', 'run 7', 250, 340, 'bundle:B', 0, 150)`,
        `${discrepancy} ('D4', 's', 'run-gap', 'runs:8', 'run 8', 250, null, null, 0, 150)`,
        `${discrepancy} ('D5', 's', 'run-gap', 'runs:9', 'run 9', 350, null, null, 0, 250)`,
        'delete from comparison_mark',
      ]) {
        await sql.raw(statement).execute(db);
      }
    });
    const { db, close } = await openDatabase(place);
    const lines = await db
      .selectFrom('period_change')
      .select(['number', 'at', 'detail'])
      .orderBy('number')
      .execute();
    expect(lines.map(({ number, at, detail }) => `${number} ${at} ${detail}`)).toEqual([
      '1 310 rejected opened: refused',
      '2 320 result r, container C of receipt X, is held',
      '3 320 rejected closed: delivery:D is confirmed',
    ]);
    const marks = await db
      .selectFrom('comparison_mark')
      .select(['kind', 'subject', 'state'])
      .orderBy('n')
      .execute();
    expect(marks.map(({ kind, subject, state }) => `${kind} ${subject} ${state}`)).toEqual([
      'discrepancy D2 opened',
      'discrepancy D3 closed',
    ]);
    for (const change of [
      db.updateTable('period_change').set({ detail: 'other' }).execute(),
      db.deleteFrom('period_change').execute(),
    ]) {
      await expect(change).rejects.toThrow('kept as written');
    }
    await close();
  });

  it('to drums that fail wherever they are listed has judged anew what lists one of another receipt, or is linked', async () => {
    const place = await blankPlace();
    const drum = '(01)09521234543213(21)0007';
    const lists: readonly (readonly [string, string, number])[] = [
      ['R-1', drum, 0],
      ['R-2', drum, 0],
      // Running numbers recur and say nothing.
      ['R-3', 'C-001', 0],
      ['R-4', 'C-001', 0],
      ['R-5', '(01)09521234543213(21)0008', 0],
      ['R-6', 'C-002', 1],
    ];
    await leftAt(place, '0028-doubts-to-resend', async (db) => {
      for (const [id, label, linked] of lists) {
        await sql`insert into receipt
          (id, site, announced, scan_text, revision, facts_version, evaluation_due, linked)
          values (${id}, 's', 1, ${id}, 1, 1, 0, ${linked})`.execute(db);
        await sql`insert into container (site, receipt_id, label, normalised, required, position)
          values ('s', ${id}, ${label}, ${label}, 1, 1)`.execute(db);
      }
    });
    await leftAt(place, BEFORE_ALL_ARE_DUE, async (db) => {
      expect(await dueIn(db)).toEqual(['R-1', 'R-2', 'R-6']);
    });
  });

  it('to numbers of drums knows each by what it carried before, also where it went on to, and where one was scanned', async () => {
    const place = await blankPlace();
    const drum = (n: number) => `(01)09521234543213(21)000${n}`;
    const labelled = '(01)09521234543213(10)B1(21)0001';
    const receipts: readonly (readonly [string, readonly string[]])[] = [
      ['R-1', [labelled]],
      // Its drum 2 is M-2 by now, and went on to R-3.
      ['R-2', []],
      ['R-3', ['M-2']],
      ['R-4', [drum(1), 'C-1']],
      ['R-5', [drum(2)]],
      ['R-6', [drum(3)]],
      ['R-7', [drum(4)]],
      ['R-8', ['C-1']],
    ];
    await leftAt(place, '0033-shared-differences', async (db) => {
      for (const [id, labels] of receipts) {
        await sql`insert into receipt (id, site, announced, scan_text, revision, facts_version, evaluation_due, linked)
          values (${id}, 's', 1, ${id}, 1, 1, 0, 0)`.execute(db);
        for (const label of labels) {
          await sql`insert into container (site, receipt_id, label, normalised, required, position)
            values ('s', ${id}, ${label}, ${label}, 1, 1)`.execute(db);
        }
      }
      await sql`insert into container_relabel (id, site, receipt_id, old_label, old_key, new_label, new_key, witness,
        reason, actor, at) values ('1', 's', 'R-2', ${drum(2)}, ${drum(2)}, 'M-2', 'M-2', 'w', 'r', 'a', 1)`.execute(
        db,
      );
      const document = JSON.stringify({ containers: ['M-2'] });
      await sql`insert into receipt_link (id, site, kind, from_receipt, to_receipt, document, known_contrary, reason, actor, at)
        values ('1', 's', 'split', 'R-2', 'R-3', ${document}, 0, 'r', 'a', 1)`.execute(db);
      for (const [id, scanned, receipt] of [
        ['1', ']d20109521234543213210003', null],
        ['2', '(21)0004(01)09521234543213', 'R-7'],
        ['3', 'C-1', 'R-8'],
      ]) {
        await sql`insert into result (id, site, result_id, revision, bundle_row_id, pointer, state, contrary, receipt_id,
          container_scanned, element_sha256) values (${id}, 's', ${id}, 1, 'B', '/results/0', 'accepted', 1, ${receipt},
          ${scanned}, 'e')`.execute(db);
      }
    });
    await leftAt(place, BEFORE_ALL_ARE_DUE, async (before) => {
      // Of drum 4 only its own receipt knows.
      expect(await dueIn(before)).toEqual(['R-1', 'R-2', 'R-3', 'R-4', 'R-5', 'R-6']);
    });
    const { db, close } = await openDatabase(place);
    const numbers = await db.selectFrom('drum_number').selectAll().orderBy('number').execute();
    expect(numbers.map((d) => `${d.number} ${d.receipt_id} ${d.key}`).sort()).toEqual(
      [
        `${drum(1)} R-1 ${labelled}`,
        `${drum(1)} R-4 ${drum(1)}`,
        `${drum(2)} R-2 ${drum(2)}`,
        `${drum(2)} R-2 M-2`,
        `${drum(2)} R-3 M-2`,
        `${drum(2)} R-5 ${drum(2)}`,
        `${drum(3)} R-6 ${drum(3)}`,
        `${drum(4)} R-7 ${drum(4)}`,
      ].sort(),
    );
    const results = await db.selectFrom('result').select('drum_number').orderBy('id').execute();
    expect(results.map((r) => r.drum_number)).toEqual([drum(3), drum(4), null]);
    await close();
  });

  it('to ids that stay with a person brings back those that were taken, unless somebody has them by now', async () => {
    const database = await temporaryDatabase();
    const { accounts } = peopleOn(database, new ManualClock());
    const made = await accounts.create(
      newAccount('mira', { roles: ['administrator'], operatorIds: ['MH', 'M2'] }),
      COMMAND_LINE,
    );
    if (!made.ok) throw new Error(made.fault.message);
    await accounts.create(newAccount('ode', { operatorIds: ['OV'] }), COMMAND_LINE);
    const at = 1_780_000_000_000 as Instant;
    const taken = (before: string[], after: string[]) => ({
      site: SITE,
      zone: ZONE,
      at,
      actor: COMMAND_LINE,
      action: 'account.operators-changed',
      subjectKind: 'account',
      subjectId: made.id,
      before: { operatorIds: before },
      after: { operatorIds: after },
    });
    await database.transact((trx) => recordAudit(trx, taken(['Mh9', 'MH', 'M2'], ['MH', 'M2'])));
    await database.transact((trx) => recordAudit(trx, taken(['ov', 'mh'], ['MH'])));
    await bringBack(database.db as unknown as Kysely<never>);
    const rows = await database.db
      .selectFrom('account_operator')
      .select(['operator_id', 'ended_at'])
      .orderBy('operator_folded')
      .execute();
    expect(rows).toEqual([
      { operator_id: 'M2', ended_at: null },
      { operator_id: 'MH', ended_at: null },
      { operator_id: 'Mh9', ended_at: at },
      { operator_id: 'OV', ended_at: null },
    ]);
  });

  it('to what stands behind a shared difference puts all there that its sweep may have listed', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    const ids = await world.measure(...Array.from({ length: 4 }, () => ({ container: 'D-01' })));
    const { database, site, clock } = world;
    const { db } = database;
    const at = (minute: number) => addMs(clock.now(), minute * 60_000);
    for (const [n, id] of ids.entries()) {
      await db
        .updateTable('delivery')
        .set(n === 0 ? { state: 'rejected' } : { state: 'confirmed', confirmed_at: at(n * -60) })
        .where('subject_id', '=', id)
        .execute();
    }
    const sweep = { site: site.site, destination: 'lims', cause: 'schedule' } as const;
    const times = { from_at: at(-150), to_at: at(-20), listed_to: at(-10), due_at: at(0) };
    const rest = { pages: 3, items: 300, failures: 0, detail: null, worker: null, fence: 1 };
    const kept = { cursor: 'x', counts: '{"a":1}', created_at: at(-5) };
    const row = { ...sweep, ...times, ...rest, ...kept };
    await db
      .insertInto('sweep')
      .values([
        { ...row, id: 'ended', state: 'done', finished_at: at(1) },
        { ...row, id: 'underway', state: 'comparing', finished_at: null, created_at: at(5) },
      ])
      .execute();
    await database.transact((trx) =>
      openDiscrepancy(
        trx,
        {
          site: site.site,
          class: 'differs',
          subject: 'field:lims:result:/operator',
          receiptId: null,
          containerLabel: null,
          destination: 'lims',
          scope: { destination: 'lims' },
          detail: 'lims: /operator differs',
          openedAt: at(0),
        },
        site.timeZone,
      ),
    );
    // As it was before.
    await db.schema.dropTable('shared_difference').execute();
    await db.schema.alterTable('sweep_item').dropColumn('differences').execute();
    await db.schema.alterTable('sweep_item').addColumn('field', 'text').execute();
    await sharedDifferences(db as unknown as Kysely<unknown>);
    const expected = await db
      .selectFrom('delivery')
      .select(['id as delivery_id'])
      .where('destination', '=', 'lims')
      .where('subject_id', 'in', [String(ids[1]), String(ids[2])])
      .orderBy('id')
      .execute();
    const behind = db.selectFrom('shared_difference').orderBy('delivery_id');
    expect(await behind.select('delivery_id').execute()).toEqual(expected);
    expect(await behind.select(['message', 'field']).distinct().clearOrderBy().execute()).toEqual([
      { message: 'result', field: '/operator' },
    ]);
    const sweeps = await db
      .selectFrom('sweep')
      .select(['id', 'state', 'cursor', 'counts'])
      .orderBy('id')
      .execute();
    expect(sweeps).toEqual([
      { id: 'ended', state: 'done', cursor: 'x', counts: '{"a":1}' },
      { id: 'underway', state: 'listing', cursor: '', counts: '{}' },
    ]);
  });

  it('to findings that go with their result gives each the receipt of its result, which is judged anew', async () => {
    const world = await StatementWorld.open();
    await world.announce({}, { receiptId: 'R-9', scanText: 'RC-9' });
    await world.measure({ container: 'D-01' }, { container: 'D-02', receipt: 'nobody' });
    const { database, site, clock } = world;
    const { db } = database;
    const sent = await db
      .selectFrom('delivery')
      .select(['id', 'receipt_id'])
      .where('destination', '=', 'lims')
      .where('subject_kind', '=', 'result')
      .orderBy('id')
      .execute();
    // Found before its result had a receipt, and before it came there from another one.
    const kinds = ['absent', 'differs'] as const;
    await database.transact(async (trx) => {
      for (const [n, kind] of kinds.entries()) {
        for (const { id } of sent) {
          const finding = {
            site: site.site,
            class: kind,
            subject: `held:lims:${id}`,
            receiptId: n === 0 ? null : 'R-9',
            containerLabel: null,
            destination: 'lims',
            scope: n === 0 ? { destination: 'lims' } : null,
            detail: kind,
            openedAt: clock.now(),
          };
          await openDiscrepancy(trx, finding, site.timeZone);
        }
      }
    });
    await db.updateTable('receipt').set({ evaluation_due: 0 }).execute();
    await findingsOfResults(db as unknown as Kysely<unknown>);
    const found = await db
      .selectFrom('discrepancy')
      .select(['class', 'subject', 'receipt_id', 'scope'])
      .where('derived', '=', 0)
      .where('subject', 'like', 'held:%')
      .orderBy('class')
      .orderBy('subject')
      .execute();
    const first = `held:lims:${String(sent[0]?.id)}`;
    const second = `held:lims:${String(sent[1]?.id)}`;
    expect(sent.map((d) => d.receipt_id)).toEqual(['R-1', null]);
    expect(found).toEqual([
      { class: 'absent', subject: first, receipt_id: 'R-1', scope: null },
      { class: 'absent', subject: second, receipt_id: null, scope: '{"destination":"lims"}' },
      { class: 'differs', subject: first, receipt_id: 'R-1', scope: null },
      { class: 'differs', subject: second, receipt_id: 'R-9', scope: null },
    ]);
    const due = db.selectFrom('receipt').select('id').where('evaluation_due', '=', 1);
    expect(await due.orderBy('id').execute()).toEqual([{ id: 'R-1' }, { id: 'R-9' }]);
  });
});
