import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { Ajv2020 } from 'ajv/dist/2020.js';
import { describe, expect, it } from 'vitest';
import { SiteFolderOutdated } from '../../src/errors.js';
import { addMs, type Instant } from '../../src/formats/instant.js';
import { PeriodMessages } from '../../src/pipeline/period-messages.service.js';
import { PeriodViews } from '../../src/pipeline/period-views.service.js';
import { PeriodsService } from '../../src/pipeline/periods.service.js';
import { loadSubject } from '../../src/pipeline/subject-loader.store.js';
import { lockReceipts } from '../../src/receipts/facts.store.js';
import { closeByEvidence, openDiscrepancy } from '../../src/reconciliation/discrepancies.store.js';
import { findPeriod } from '../../src/reconciliation/periods.store.js';
import { siteDay } from '../../src/reconciliation/site-day.js';
import { SigningService } from '../../src/signatures/signing.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { time } from '../statements/conforming-facts.js';
import type { StatementWorld } from '../statements/statement-world.js';
import { ADDRESS, COMMAND_LINE, newAccount, peopleOn } from '../support/people.js';
import { repositoryRoot } from '../support/shared.js';
import { ComparisonWorld } from './comparison-world.js';

const HOUR_MS = 3_600_000;

/** A day with two containers measured and one not, and somebody who may close it. */
async function openedDay() {
  const compared = await ComparisonWorld.open();
  const { world } = compared;
  const { database, clock, site } = world;
  const { accounts } = peopleOn(database, clock);
  const signing = new SigningService(database, clock, accounts, site);
  const { comparison } = compared;
  const told = { rung: 0 };
  const mappings = new Map([
    ['lims', { digest: 'mapping', messages: ['result', 'period'] as const }],
    ['erp', { digest: 'mapping', messages: ['result', 'statement', 'stop'] as const }],
  ]);
  const periods = new PeriodsService({
    database,
    clock,
    site,
    comparison,
    signing,
    messages: new PeriodMessages(site.site, mappings, 1),
    onClosed: () => {
      told.rung += 1;
    },
  });
  const account = newAccount('s.signer', { roles: ['signer'] });
  const made = await accounts.create(account, COMMAND_LINE);
  if (!made.ok) throw new Error(made.fault.message);
  await database.db.updateTable('account').set({ must_change_password: 0 }).execute();
  const who: SigningRequest = {
    actor: { kind: 'person', name: made.id, source: ADDRESS },
    accountId: made.id,
    sessionId: null,
    userName: 's.signer',
    password: account.password,
    source: ADDRESS,
  };
  await world.announce({ containers: ['D-01', 'D-02', 'D-03'] });
  await world.measure({ container: 'D-01' }, { container: 'D-02' });
  await world.setDeliveries('result', 'confirmed');
  await world.statements.evaluateDue(10);
  await world.setDeliveries('statement', 'confirmed');
  const day = siteDay('2026-03-04', site.timeZone);
  if (!day) throw new Error('no day');
  const views = new PeriodViews(database, clock, site);
  return { compared, world, periods, views, who, day, told };
}

async function shown(periods: PeriodsService, day: { from: Instant; to: Instant }) {
  const proposal = await periods.propose(day);
  if ('rule' in proposal) throw new Error(proposal.message);
  return proposal;
}

describe('closing a period', () => {
  it('refuses by name what is not over, has not begun, holds no time, or is closed already', async () => {
    const { world, periods, who, day } = await openedDay();
    const rule = async (p: { from: Instant; to: Instant }) => {
      const proposal = await periods.propose(p);
      return 'rule' in proposal ? proposal.rule : 'closable';
    };
    expect(await rule(day)).toBe('period-unfinished');
    expect(await rule({ from: addMs(day.to, HOUR_MS), to: addMs(day.to, 2 * HOUR_MS) })).toBe(
      'period-future',
    );
    expect(await rule({ from: day.to, to: day.from })).toBe('period-empty');
    world.clock.advance(24 * HOUR_MS);
    const { sha256 } = await shown(periods, day);
    const closed = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    expect(closed.kind).toBe('closed');
    expect(await rule(day)).toBe('period-overlaps');
    expect(await rule({ from: addMs(day.to, -1), to: addMs(day.to, HOUR_MS) })).toBe(
      'period-overlaps',
    );
    const again = await periods.close(day, { shownSha256: sha256, reason: 'again' }, who);
    expect(again).toMatchObject({ kind: 'not-closable', rule: 'period-overlaps' });
    expect(await rule({ from: day.to, to: addMs(day.to, HOUR_MS) })).toBe('closable');
  });

  it('signs what was shown: counts, and what is resolved or carried over, which stays open', async () => {
    const { compared, world, periods, views, who, day } = await openedDay();
    world.clock.advance(24 * HOUR_MS);
    const { sha256, document } = await shown(periods, day);
    expect(document['counts']).toMatchObject({ expectedContainers: 3, measuredContainers: 2 });
    expect(document['carriedOver']).toMatchObject([
      { class: 'not-measured', subject: 'container:["R-1","D-03"]' },
    ]);
    world.clock.advance(1000);
    expect((await shown(periods, day)).sha256).toBe(sha256);
    const closed = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    if (closed.kind !== 'closed') throw new Error(closed.kind);
    const period = await findPeriod(world.database.db, world.site.site, closed.id);
    expect(period).toMatchObject({ digest: sha256, closed_by: who.accountId });
    expect((await views.report(closed.id))?.addenda).toEqual([]);
    expect(JSON.parse(period?.document ?? '{}').record).toEqual(document);
    expect(await compared.open()).toContain('not-measured container:["R-1","D-03"] (R-1)');
    const { db } = world.database;
    const trail = await db
      .selectFrom('audit_entry')
      .select(['actor', 'source'])
      .where('action', '=', 'period.closed')
      .execute();
    expect(trail).toEqual([{ actor: who.accountId, source: ADDRESS }]);
    await expect(db.updateTable('period').set({ reason: 'other' }).execute()).rejects.toThrow(
      'kept as written',
    );
  });

  it('signs nothing, and sends nothing of it, once another site folder was activated', async () => {
    const { compared, world, periods, who, day } = await openedDay();
    world.clock.advance(24 * HOUR_MS);
    const { sha256 } = await shown(periods, day);
    const closed = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    if (closed.kind !== 'closed') throw new Error(closed.kind);
    await world.measure({ container: 'D-03', at: time('08:45') });
    await compared.comparison.catchUp();
    const { db } = world.database;
    const proposal = await periods.proposeAddendum(closed.id, 1);
    if (proposal === null) throw new Error('no addendum is open');
    await db
      .insertInto('site')
      .values({
        site: world.site.site,
        digest: 'f'.repeat(64),
        content: '{}',
        activated_at: world.clock.now(),
      })
      .execute();
    const next = { from: day.to, to: addMs(day.to, HOUR_MS) };
    world.clock.advance(24 * HOUR_MS);
    const later = await shown(periods, next);
    const request = { shownSha256: later.sha256, reason: 'end of the hour' };
    await expect(periods.close(next, request, who)).rejects.toThrow(SiteFolderOutdated);
    const named = { shownSha256: proposal.sha256, reason: 'late sync' };
    await expect(periods.closeAddendum(closed.id, 1, named, who)).rejects.toThrow(
      SiteFolderOutdated,
    );
    const signed = await db.selectFrom('signature').select('subject_kind').execute();
    expect(signed).toEqual([{ subject_kind: 'period' }]);
    const messages = db.selectFrom('delivery').select('id').where('message', '=', 'period');
    expect(await messages.execute()).toHaveLength(1);
  });

  it('refuses a digest that is stale, a wrong password and somebody without the right, and stores nothing', async () => {
    const { world, periods, who, day } = await openedDay();
    world.clock.advance(24 * HOUR_MS);
    const { sha256 } = await shown(periods, day);
    await world.measure({ container: 'D-03' });
    const stale = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    expect(stale).toMatchObject({ kind: 'refused', why: 'signature-stale' });
    const now = await shown(periods, day);
    const wrong = await periods.close(
      day,
      { shownSha256: now.sha256, reason: 'end of day' },
      { ...who, password: 'not the password at all' },
    );
    expect(wrong).toMatchObject({ kind: 'not-proven', why: 'wrong' });
    await world.database.db.updateTable('account_role').set({ role: 'viewer' }).execute();
    const viewer = await periods.close(day, { shownSha256: now.sha256, reason: 'end of day' }, who);
    expect(viewer).toMatchObject({ kind: 'refused', why: 'right-missing' });
    expect(await periods.list()).toEqual([]);
  });

  it('rule 30: a late result counts on the day it was measured and opens addendum 1, which lists it', async () => {
    const { compared, world, periods, views, who, day } = await openedDay();
    world.clock.advance(24 * HOUR_MS);
    const { sha256 } = await shown(periods, day);
    const closed = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    if (closed.kind !== 'closed') throw new Error(closed.kind);
    // Of the next day: no business of the period.
    await world.measure({ container: 'D-01', at: addMs(day.to, HOUR_MS) });
    await compared.comparison.catchUp();
    expect((await views.report(closed.id))?.addenda).toEqual([]);
    await world.measure({ container: 'D-03', at: time('08:45') });
    await compared.comparison.catchUp();
    const first = await views.report(closed.id);
    expect(first?.addenda.map((a) => [a.number, a.signature])).toEqual([[1, null]]);
    const listed = first?.addenda[0]?.changes.map((c) => c.detail) ?? [];
    expect(listed).toContain('result result-4, container D-03 of receipt R-1, is accepted');
    expect(listed.join('\n')).toContain(
      '3 of 3 containers measured, 2 of 3 containers measured before',
    );
    expect(listed.join('\n')).toContain('not-measured closed: result:row-4');
    expect(first?.signature.shownSha256).toBe(sha256);
    const proposal = await periods.proposeAddendum(closed.id, 1);
    if (!proposal) throw new Error('no addendum');
    const signed = await periods.closeAddendum(
      closed.id,
      1,
      { shownSha256: proposal.sha256, reason: 'late sync of a handheld' },
      who,
    );
    expect(signed.kind).toBe('closed');
    await world.setDeliveries('result', 'confirmed');
    await compared.comparison.catchUp();
    const second = await views.report(closed.id);
    expect(second?.addenda.map((a) => [a.number, a.signature !== null])).toEqual([
      [1, true],
      [2, false],
    ]);
    expect(second?.addenda[0]?.changes).toHaveLength(listed.length);
    expect(second?.addenda[1]?.changes.map((c) => c.detail)).toContain(
      'result result-4 at erp is confirmed',
    );
  });

  it('list what the correction of a goods receipt takes away from the day, and brings to another', async () => {
    const { compared, world, periods, views, who, day } = await openedDay();
    world.clock.advance(24 * HOUR_MS);
    const { sha256 } = await shown(periods, day);
    const closed = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    if (closed.kind !== 'closed') throw new Error(closed.kind);
    const { db } = world.database;
    await db
      .updateTable('receipt')
      .set({ received_at: addMs(day.to, HOUR_MS) })
      .where('id', '=', 'R-1')
      .execute();
    await compared.comparison.catchUp();
    const lines = (await views.report(closed.id))?.addenda.at(-1)?.changes.map((c) => c.detail);
    expect(lines).toEqual([
      expect.stringMatching(
        /^not-measured counts on 2026-03-05, on 2026-03-04 before: container D-03 of receipt R-1 /,
      ),
      'receipt R-1 (revision 1): 2 of 3 containers measured, 2 of 3 containers measured before; received on 2026-03-05, received on 2026-03-04 before',
    ]);
    // It was measured on the day, so the day counts it still.
    await world.measure({ container: 'D-03', at: addMs(day.to, HOUR_MS) });
    await compared.comparison.catchUp();
    const more = (await views.report(closed.id))?.addenda.at(-1)?.changes.map((c) => c.detail);
    expect(more?.slice(2)).toEqual([
      'receipt R-1 (revision 1): 3 of 3 containers measured, 2 of 3 containers measured before',
    ]);
  });

  it('list every change once, also when an addendum has more than it can list', async () => {
    const { compared, world, periods, who, day } = await openedDay();
    world.clock.advance(24 * HOUR_MS);
    const { sha256 } = await shown(periods, day);
    const closed = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    if (closed.kind !== 'closed') throw new Error(closed.kind);
    await world.measure({ container: 'D-03', at: time('08:45') });
    await compared.comparison.catchUp();
    const { db, transact } = world.database;
    const [noted] = await db.selectFrom('period_change').selectAll().execute();
    if (noted === undefined) throw new Error('nothing was noted');
    const { highest } = await db
      .selectFrom('period_change')
      .select((e) => e.fn.max('number').as('highest'))
      .executeTakeFirstOrThrow();
    const more = Array.from({ length: 20_000 }, (_, n) => ({
      ...noted,
      id: `more-${String(n).padStart(5, '0')}`,
      number: highest + 1 + n,
      detail: `another ${n}`,
    }));
    await transact(async (trx) => {
      for (let i = 0; i < more.length; i += 500) {
        await trx
          .insertInto('period_change')
          .values(more.slice(i, i + 500))
          .execute();
      }
    });
    const listed: string[] = [];
    for (let number = 1; ; number += 1) {
      const proposal = await periods.proposeAddendum(closed.id, number);
      if (proposal === null) break;
      const changes = proposal.document['changes'] as { detail: string }[];
      listed.push(...changes.map((c) => c.detail));
      const late = { shownSha256: proposal.sha256, reason: 'late sync of a handheld' };
      expect((await periods.closeAddendum(closed.id, number, late, who)).kind).toBe('closed');
    }
    const details = await db.selectFrom('period_change').select('detail').distinct().execute();
    expect(details.length).toBeGreaterThan(20_000);
    expect([...listed].sort()).toEqual(details.map((d) => d.detail).sort());
  }, 120_000);
});

describe('what changes about a closed period', () => {
  const HELD = 'result result-1, container D-01 of receipt R-1, is held';
  const STANDS = 'result result-1, container D-01 of receipt R-1, is accepted';

  /** A day that is closed, and what its addenda list of one subject. */
  async function closedDay() {
    const opened = await openedDay();
    const { compared, world, periods, views, who, day } = opened;
    world.clock.advance(24 * HOUR_MS);
    const { sha256 } = await shown(periods, day);
    const closed = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    if (closed.kind !== 'closed') throw new Error(closed.kind);
    const { db, transact } = world.database;
    return {
      ...opened,
      id: closed.id,
      listed: async (subject: string) => {
        await compared.comparison.catchUp();
        const report = await views.report(closed.id);
        return (report?.addenda ?? []).map(({ changes }) =>
          changes.flatMap((c) => (c.subject === subject ? [c.detail] : [])),
        );
      },
      turn: (state: 'accepted' | 'held') =>
        db.updateTable('result').set({ state }).where('id', '=', 'row-1').execute(),
      sent: async (...states: readonly ('confirmed' | 'due' | 'uncertain' | 'rejected')[]) => {
        for (const state of states) {
          await db
            .updateTable('delivery')
            .set({ state, reason: state === 'uncertain' ? 'no answer' : null })
            .where('subject_id', '=', 'row-1')
            .where('destination', '=', 'erp')
            .execute();
        }
      },
      event: (open: boolean) =>
        transact(async (trx) => {
          const { site, timeZone: zone } = world.site;
          const about = { site, class: 'run-gap', subject: 'runs:NQ-R-0001:1:7-7' } as const;
          const now = world.clock.now();
          if (open) {
            const gap = {
              ...about,
              receiptId: null,
              containerLabel: null,
              destination: null,
              scope: null,
              detail: 'run 7 never arrived',
              openedAt: now,
              countsFrom: time('08:30'),
            };
            await openDiscrepancy(trx, gap, zone);
          } else {
            await closeByEvidence(trx, { ...about, evidence: 'bundle:B-7', closedAt: now, zone });
          }
        }),
      signAddendum: async (number: number) => {
        const proposal = await periods.proposeAddendum(closed.id, number);
        if (!proposal) throw new Error(`no addendum ${number}`);
        const request = { shownSha256: proposal.sha256, reason: 'seen' };
        expect((await periods.closeAddendum(closed.id, number, request, who)).kind).toBe('closed');
      },
    };
  }

  it('is listed in its order, also what comes back to where it was, so that the last line is true', async () => {
    const { listed, turn } = await closedDay();
    for (const state of ['held', 'accepted', 'held'] as const) {
      await turn(state);
      await listed('result:row-1');
    }
    const lines = (await listed('result:row-1')).at(-1) ?? [];
    expect(lines.filter((l) => l.startsWith('result result-1, '))).toEqual([HELD, STANDS, HELD]);
    expect(lines.filter((l) => l.startsWith('held ')).map((l) => l.split(':')[0])).toEqual([
      'held opened',
      'held closed',
      'held opened',
    ]);
  });

  it('is listed change by change, however many come between two looks, and once however often one looks', async () => {
    const { listed, turn, compared } = await closedDay();
    for (const state of ['held', 'accepted', 'held', 'accepted'] as const) await turn(state);
    // Said again, it is no change.
    await turn('accepted');
    const once = await listed('result:row-1');
    expect(once.at(-1)?.filter((l) => l.startsWith('result result-1, '))).toEqual([
      HELD,
      STANDS,
      HELD,
      STANDS,
    ]);
    await compared.recompute(true);
    expect(await listed('result:row-1')).toEqual(once);
  });

  it('goes on in the next addendum, and a state that was listed last in a signed one is not listed again', async () => {
    const { listed, turn, sent, signAddendum } = await closedDay();
    await sent('uncertain');
    await listed('result:row-1');
    await signAddendum(1);
    // It went again, and nobody answered again.
    await sent('due', 'uncertain');
    await turn('held');
    await sent('confirmed', 'uncertain');
    const [first, second] = await listed('result:row-1');
    const atErp = (lines: readonly string[] = []) => lines.filter((l) => l.includes(' at erp '));
    expect(atErp(first)).toEqual(['result result-1 at erp is uncertain']);
    expect(atErp(second)).toEqual([
      'result result-1 at erp is confirmed',
      'result result-1 at erp is uncertain',
    ]);
    expect(second).toContain(HELD);
  });

  it('has what the comparison opens, closes and opens again', async () => {
    const { world, listed, sent, signAddendum } = await closedDay();
    const { id } = await world.database.db
      .selectFrom('delivery')
      .select('id')
      .where('subject_id', '=', 'row-1')
      .where('destination', '=', 'erp')
      .executeTakeFirstOrThrow();
    // A delivery counts on the day it was made, which is closed.
    for (const state of ['rejected', 'confirmed', 'rejected'] as const) {
      await sent(state);
      await listed('');
    }
    const heads = (lines: readonly string[] = []) => lines.map((l) => l.split(':')[0]);
    const lines = (await listed(`delivery:${id}`)).at(-1);
    expect(heads(lines)).toEqual(['rejected opened', 'rejected closed', 'rejected opened']);
    await signAddendum(1);
    await sent('confirmed');
    expect(heads((await listed(`delivery:${id}`)).at(-1))).toEqual(['rejected closed']);
  });

  it('has what an event opens and closes, in the transaction of the event and once', async () => {
    const { world, listed, event, id, views } = await closedDay();
    await event(true);
    await event(true);
    const failed = world.database.transact(async (trx) => {
      await trx
        .updateTable('discrepancy')
        .set({ closed_at: world.clock.now(), closing_evidence: 'undone' })
        .where('class', '=', 'run-gap')
        .execute();
      throw new Error('undone');
    });
    await expect(failed).rejects.toThrow('undone');
    const subject = 'runs:NQ-R-0001:1:7-7';
    const opened = 'run-gap opened: run 7 never arrived';
    const closed = 'run-gap closed: bundle:B-7';
    expect(await listed(subject)).toEqual([[opened]]);
    await event(false);
    await event(false);
    await event(true);
    expect(await listed(subject)).toEqual([[opened, closed, opened]]);
    expect(await listed(subject)).toEqual([[opened, closed, opened]]);
    expect((await views.report(id))?.addenda).toHaveLength(1);
  });

  it('has what an event closes that was carried over, and nothing of what was opened before it was signed', async () => {
    const opened = await openedDay();
    const { world, compared, periods, views, who, day } = opened;
    const { site, timeZone: zone } = world.site;
    const about = { site, class: 'held', subject: 'result:row-9' } as const;
    await world.database.transact((trx) =>
      openDiscrepancy(
        trx,
        {
          ...about,
          receiptId: 'R-1',
          containerLabel: null,
          destination: null,
          scope: null,
          detail: 'held by a finding',
          openedAt: world.clock.now(),
        },
        zone,
      ),
    );
    world.clock.advance(24 * HOUR_MS);
    const { sha256 } = await shown(periods, day);
    const closed = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    if (closed.kind !== 'closed') throw new Error(closed.kind);
    await compared.comparison.catchUp();
    expect((await views.report(closed.id))?.addenda).toEqual([]);
    await world.database.transact((trx) =>
      closeByEvidence(trx, {
        ...about,
        evidence: 'signature:S-1',
        closedAt: world.clock.now(),
        zone,
      }),
    );
    await compared.comparison.catchUp();
    const report = await views.report(closed.id);
    expect(report?.addenda.map((a) => a.changes.map((c) => c.detail))).toEqual([
      ['held closed: signature:S-1'],
    ]);
  });
});

describe('the deliveries of a closed period', () => {
  const schema = JSON.parse(
    readFileSync(join(repositoryRoot(), 'schemas/period.schema.json'), 'utf8'),
  ) as object;
  const validate = new Ajv2020({ strict: true, strictRequired: false }).compile(schema);

  async function rows(world: StatementWorld) {
    return world.database.db
      .selectFrom('delivery')
      .selectAll()
      .where('subject_kind', '=', 'period')
      .orderBy('seq')
      .execute();
  }

  it('go once and in order to whom the mapping has a message for, and say what was signed', async () => {
    const { compared, world, periods, who, day, told } = await openedDay();
    world.clock.advance(24 * HOUR_MS);
    const { sha256 } = await shown(periods, day);
    const closed = await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    if (closed.kind !== 'closed') throw new Error(closed.kind);
    await periods.close(day, { shownSha256: sha256, reason: 'again' }, who);
    expect(told.rung).toBe(1);
    await world.measure({ container: 'D-03', at: time('08:45') });
    await compared.comparison.catchUp();
    expect(await rows(world)).toHaveLength(1);
    const proposal = await periods.proposeAddendum(closed.id, 1);
    if (!proposal) throw new Error('no addendum');
    const late = { shownSha256: proposal.sha256, reason: 'late sync of a handheld' };
    expect((await periods.closeAddendum(closed.id, 1, late, who)).kind).toBe('closed');
    const sent = await rows(world);
    expect(
      sent.map((d) => [d.destination, d.ordering_key, d.seq, d.subject_revision, d.receipt_id]),
    ).toEqual([
      ['lims', `period:${closed.id}`, 1, 1, null],
      ['lims', `period:${closed.id}`, 2, 2, null],
    ]);
    const records = [];
    for (const row of sent) {
      const subject = await loadSubject(world.database.db, row);
      if (subject.message !== 'period') throw new Error(subject.message);
      expect(validate(subject.period), JSON.stringify(validate.errors)).toBe(true);
      expect(await loadSubject(world.database.db, row)).toEqual(subject);
      records.push(subject.period);
    }
    expect(records).toMatchObject([
      {
        kind: 'close',
        revision: 1,
        addendum: null,
        sha256,
        closeSha256: sha256,
        reason: 'end of day',
        carriedOverCount: 1,
        carriedOver: [{ class: 'not-measured' }],
        counts: { expectedContainers: 3, measuredContainers: 2 },
        changes: [],
      },
      {
        kind: 'addendum',
        revision: 2,
        addendum: 1,
        sha256: proposal.sha256,
        closeSha256: sha256,
        carriedOver: [],
        counts: { measuredContainers: 2 },
      },
    ]);
    expect(records[1]?.changes.map((c) => c.detail)).toContain(
      'result result-3, container D-03 of receipt R-1, is accepted',
    );
  });

  it('count for no statement, whatever became of them, and one that fails is named', async () => {
    const { compared, world, periods, who, day } = await openedDay();
    world.clock.advance(24 * HOUR_MS);
    const conditions = async () => {
      await world.database.transact(async (trx) => {
        await lockReceipts(trx, world.site.site, ['R-1']);
        await world.statements.evaluateInTransaction(trx, 'R-1', world.clock.now());
      });
      const statement = await world.statements.shown('R-1');
      return statement?.conditions.map((c) => [c.code, c.state]);
    };
    const before = await conditions();
    expect(before).toContainEqual(['deliveries-confirmed', 'met']);
    const { sha256 } = await shown(periods, day);
    await periods.close(day, { shownSha256: sha256, reason: 'end of day' }, who);
    await world.database.db
      .updateTable('delivery')
      .set({ state: 'rejected', reason: 'no place for it' })
      .where('subject_kind', '=', 'period')
      .execute();
    await compared.comparison.catchUp();
    expect((await compared.open()).filter((o) => o.startsWith('rejected'))).toHaveLength(1);
    expect(await conditions()).toEqual(before);
  });
});
