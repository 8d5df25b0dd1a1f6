import { describe, expect, it } from 'vitest';
import type { DeliveryParts } from '../../src/delivery/delivery-parts.service.js';
import type { AskRequest } from '../../src/delivery/endpoint.js';
import { Looking } from '../../src/delivery/looking.service.js';
import { readHeldPage } from '../../src/reconciliation/held-list.js';
import { SweepComparison } from '../../src/reconciliation/sweep-comparison.service.js';
import { SweepFindings } from '../../src/reconciliation/sweep-findings.service.js';
import {
  insertSweep,
  notedItem,
  noteItems,
  verdictCounts,
} from '../../src/reconciliation/sweeps.store.js';
import type { HeldList, MappingDocument } from '../../src/site/mapping-document.js';
import type { DestinationHoldingRow, SweepRow } from '../../src/storage/tables.js';
import { answerOf } from '../delivery/answer-of.js';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';
import { LIST as LISTED } from './list.js';

const LIST: HeldList = { ...LISTED, message: null };

/** Sweeps of `lims` whose lists were read, over a statement world. */
class SweepWorld {
  /** What `lims` answers when it is asked for a list, and what it was asked. */
  held: unknown = { entries: [] };
  /** What it answers before that. */
  pages: unknown[] = [];
  readonly asked: string[] = [];
  readonly findings: SweepFindings;
  readonly comparison: SweepComparison;
  /** How often it was told that a receipt may have changed. */
  changes = 0;

  private constructor(readonly world: StatementWorld) {
    const { database, clock, site } = world;
    this.findings = new SweepFindings(database, clock, site, {
      evaluate: (trx, id, now) => world.statements.evaluateInTransaction(trx, id, now),
      openUnowned: () => Promise.reject(new Error('everything here has a receipt')),
      onChanged: () => {
        this.changes += 1;
      },
    });
    this.comparison = new SweepComparison({
      database,
      clock,
      site,
      worker: { id: 'worker', mayStart: true },
      looking: new Looking({
        options: { secrets: { mask: (text: string) => text } },
        endpoint: () => ({
          ask: ({ path }: AskRequest) => {
            this.asked.push(path);
            return Promise.resolve(answerOf(200, this.pages.shift() ?? this.held));
          },
        }),
      } as unknown as DeliveryParts),
      documents: new Map([['lims', { list: LIST, format: 'json' } as MappingDocument]]),
      findings: this.findings,
    });
  }

  static async open(): Promise<SweepWorld> {
    return new SweepWorld(await StatementWorld.open());
  }

  /** A sweep that listed nothing, with nothing left that was not listed. */
  async listed(id: string): Promise<SweepRow> {
    const { database, clock, site } = this.world;
    const now = clock.now();
    const row: SweepRow = {
      id,
      site: site.site,
      destination: 'lims',
      cause: 'schedule',
      from_at: time('07:00'),
      to_at: time('08:59'),
      listed_to: now,
      state: 'comparing',
      cursor: '',
      pages: 1,
      items: 0,
      counts: '{}',
      failures: 0,
      detail: null,
      worker: 'worker',
      fence: 1,
      created_at: now,
      due_at: now,
      finished_at: null,
    };
    await database.transact((trx) => insertSweep(trx, row));
    return row;
  }

  /** Works on a sweep to its end, as whoever takes it up. */
  async finish(id: string): Promise<void> {
    const { db } = this.world.database;
    const [lims] = this.world.site.destinations.filter((d) => d.name === 'lims');
    if (lims === undefined) throw new Error('no lims');
    for (let n = 0; n < 20; n += 1) {
      const row = await db
        .selectFrom('sweep')
        .selectAll()
        .where('id', '=', id)
        .executeTakeFirstOrThrow();
      if (row.finished_at !== null) return;
      await this.comparison.step(lims, row);
    }
    throw new Error('the sweep does not end');
  }

  async openSubjects(): Promise<string[]> {
    const rows = await this.world.database.db
      .selectFrom('discrepancy')
      .select('subject')
      .where('closed_at', 'is', null)
      .orderBy('subject')
      .execute();
    return rows.map((r) => r.subject);
  }

  /** Keeps and returns what `lims` holds and nothing accounts for. */
  async holds(identity: string, more: Partial<DestinationHoldingRow> = {}) {
    const row: DestinationHoldingRow = {
      site: this.world.site.site,
      destination: 'lims',
      identity,
      reference: null,
      message: 'stop',
      receipt_id: 'R-1',
      subject: 'R-1',
      revision: 7,
      held_at: time('08:30'),
      may_permit: 0,
      item: '{}',
      first_sweep: 'sweep-1',
      last_sweep: 'sweep-1',
      settled_at: null,
      ...more,
    };
    await this.world.database.db.insertInto('destination_holding').values(row).execute();
    return row;
  }
}

describe('a sweep that another worker has taken up', () => {
  it('closes nothing by what the first one saw', async () => {
    const world = await SweepWorld.open();
    await world.world.announce();
    const row = await world.listed('sweep-1');
    const holding = await world.holds('L-1');
    await world.findings.openHolding(holding);
    const { database } = world.world;
    await database.db.updateTable('sweep').set({ fence: 2 }).execute();
    await world.findings.forget(row, holding);
    await world.findings.settle(row, holding, 'a later revision of ours is in force');
    expect(await world.openSubjects()).toEqual(['holding:lims:L-1']);
    await world.findings.forget({ ...row, fence: 2 }, holding);
    expect(await world.openSubjects()).toEqual([]);
  });
});

describe('a list that shifts while it is read', () => {
  const doubles = async (pages: readonly (readonly (string | null)[])[]) => {
    const { database } = (await SweepWorld.open()).world;
    for (const page of pages) {
      const notes = page.map((number) => ({
        sweep_id: 'sweep-1',
        delivery_id: 'delivery-1',
        message: 'result' as const,
        number,
        count: 1,
        verdict: 'equal' as const,
        differences: '[]',
        detail: null,
      }));
      await database.transact((trx) => noteItems(trx, notes));
    }
    const { doubles: found } = await verdictCounts(database.db, 'sweep-1');
    return found;
  };

  it('shows one record on two pages, which is no double', async () => {
    expect(await doubles([['L-1'], ['L-1']])).toBe(0);
  });

  it.each([
    ['two records under one reference', [['L-1'], ['L-2']]],
    ['two records on one page', [['L-1', 'L-2']]],
    ['one number twice on one page, which does not shift', [['L-1', 'L-1']]],
    ['one number twice on a later page', [['L-1'], ['L-1', 'L-1']]],
    ['records without a number of their own', [[null], [null]]],
    ['a record without a number beside one that has one', [[null], ['L-1']]],
  ])('hides no double: %s', async (_, pages) => {
    expect(await doubles(pages)).toBe(1);
  });

  it('shows two records under one reference that differ in other fields, and both count', async () => {
    const { database } = (await SweepWorld.open()).world;
    const item = (number: string, field: string | null) => ({
      sweep_id: 'sweep-1',
      delivery_id: 'delivery-1',
      message: 'result' as const,
      number,
      count: 1,
      verdict: field === null ? ('equal' as const) : ('differs' as const),
      differences: JSON.stringify(field === null ? [] : [{ field, detail: field }]),
      detail: null,
    });
    const pages = [[item('L-1', '/operator')], [item('L-2', '/decision'), item('L-3', null)]];
    for (const page of pages) await database.transact((trx) => noteItems(trx, page));
    const noted = await notedItem(database.db, 'sweep-1', 'delivery-1');
    expect(noted).toMatchObject({ verdict: 'differs', count: 3 });
    expect(JSON.parse(noted?.differences ?? '')).toMatchObject([
      { field: '/operator' },
      { field: '/decision' },
    ]);
  });

  it('skips a message, which is looked for at its moment and is not gone by that', async () => {
    const world = await SweepWorld.open();
    await world.world.announce();
    await world.findings.openHolding(await world.holds('L-1'));
    world.held = { entries: [{ no: 'L-1' }] };
    await world.listed('sweep-2');
    await world.finish('sweep-2');
    expect(await world.openSubjects()).toEqual(['holding:lims:L-1']);
    const [path] = world.asked;
    const asked = new URL(path ?? '', 'http://x').searchParams;
    const at = Number(time('08:30')) / 1000;
    expect(Date.parse(asked.get('from') ?? '')).toBeLessThan(at);
    expect(Date.parse(asked.get('to') ?? '')).toBeGreaterThan(at);
    // On the second page of that moment.
    world.pages = [{ entries: [{ no: 'L-0' }], next: 'L-0' }];
    await world.listed('sweep-3');
    await world.finish('sweep-3');
    expect(world.asked.at(-1)).toContain('after=L-0');
    expect(await world.openSubjects()).toEqual(['holding:lims:L-1']);
    // A moment without an end shows nothing.
    world.pages = Array.from({ length: 99 }, (_, n) => ({ entries: [], next: `L-${n}` }));
    await world.listed('sweep-4');
    await world.finish('sweep-4');
    expect(await world.openSubjects()).toEqual(['holding:lims:L-1']);
    world.pages = [];
    world.held = { entries: [{ no: 'L-2' }] };
    await world.listed('sweep-5');
    await world.finish('sweep-5');
    expect(await world.openSubjects()).toEqual([]);
  });
});

describe('a stop of a lost life', () => {
  it('tells that its statement changed also where its discrepancy is open, and nothing where it did not', async () => {
    const world = await SweepWorld.open();
    await world.world.conform();
    expect(await world.findings.openHolding(await world.holds('L-1'))).toBe(true);
    const told = async () => [world.changes, (await world.world.told()).length] as const;
    const [changes, revisions] = await told();
    const { db } = world.world.database;
    await db.updateTable('destination_holding').set({ revision: 40 }).execute();
    const later = await db.selectFrom('destination_holding').selectAll().executeTakeFirstOrThrow();
    // Another revision than what is open says: that is found anew.
    expect(await world.findings.openHolding(later)).toBe(true);
    expect(await told()).toEqual([changes + 2, revisions + 1]);
    expect(await world.findings.openHolding(later)).toBe(false);
    expect(await told()).toEqual([changes + 2, revisions + 1]);
    const found = await db
      .selectFrom('discrepancy')
      .select(['detail', 'closing_evidence'])
      .where('class', '=', 'unknown-at-source')
      .orderBy('id')
      .execute();
    expect(found).toMatchObject([
      { closing_evidence: 'sweep sweep-1: it shows something else' },
      { closing_evidence: null, detail: expect.stringContaining('revision 40') as string },
    ]);
  });

  it('is not found again behind the signature that acknowledges it', async () => {
    const world = await SweepWorld.open();
    await world.world.announce();
    const holding = await world.holds('L-1');
    const { database, site } = world.world;
    await database.db
      .updateTable('destination_holding')
      .set({ settled_at: world.world.clock.now() })
      .execute();
    // The sweep had read it before.
    expect(await world.findings.openHolding(holding)).toBe(false);
    expect(await world.openSubjects()).toEqual([]);
    const receipt = await database.db
      .selectFrom('receipt')
      .select('revision_floor')
      .where('site', '=', site.site)
      .executeTakeFirstOrThrow();
    expect(receipt.revision_floor).toBe(0);
  });
});

describe('rule 28: a statement of a lost life', () => {
  const permission = { message: 'statement', may_permit: 1 } as const;
  const taken = (world: SweepWorld) =>
    world.world.database.db
      .selectFrom('receipt')
      .select(['revision_floor as floor', 'held_permission as permission'])
      .where('id', '=', 'R-1')
      .executeTakeFirstOrThrow();

  it('is taken over by a receipt that is announced again only later', async () => {
    const world = await SweepWorld.open();
    await world.findings.openHolding(await world.holds('L-1', permission));
    await world.world.announce();
    expect(await taken(world)).toEqual({ floor: 7, permission: 7 });
  });

  it.each([
    ['took it back', 8, 'lims', 0],
    ['lies below it', 6, 'lims', 7],
    ['stands elsewhere', 8, 'erp', 7],
  ])('permits no more once a stop of that life %s', async (_, revision, destination, left) => {
    const world = await SweepWorld.open();
    await world.world.announce();
    const statement = await world.holds('L-1', permission);
    await world.holds('L-2', { revision, destination });
    await world.findings.openHolding(statement);
    expect(await taken(world)).toMatchObject({ permission: left });
  });

  it('that may have permitted is taken back by a stop, and any other by a statement', async () => {
    const stopsAfter = async (more: Partial<DestinationHoldingRow>) => {
      const world = await SweepWorld.open();
      await world.world.announce();
      await world.findings.openHolding(await world.holds('L-1', { ...permission, ...more }));
      return await world.world.database.db
        .selectFrom('stop')
        .select(['kind', 'statement_revision as revision'])
        .orderBy('statement_revision')
        .execute();
    };
    // Said again by the revision that its open discrepancy makes.
    const [first, ...again] = await stopsAfter({});
    expect(first).toEqual({ kind: 'suspend', revision: 8 });
    expect(again.map((stop) => stop.kind)).toEqual(['suspend']);
    expect(await stopsAfter({ may_permit: 0 })).toEqual([]);
  });
});

describe('a number beyond any revision', () => {
  const list: HeldList = {
    ...LISTED,
    at: null,
    message: { held: '/kind', codes: { stop: 'S' } },
    result: null,
    period: null,
  };

  // The instant of a change in milliseconds, for instance, and the largest number PostgreSQL keeps as `integer`.
  it.each([1_795_000_000_000, 2_147_483_647])('is none: %i', async (rev) => {
    const entries = [{ no: 'L-1', kind: 'S', receipt: 'R-1', rev }];
    const body = Buffer.from(JSON.stringify({ entries }));
    const answer = { kind: 'answered', status: 200, retryAfter: null, body, isCut: false } as const;
    const page = readHeldPage(answer, list, 'json', '');
    const [item] = page.ok ? page.items : [];
    const world = await SweepWorld.open();
    await world.world.conform();
    await world.findings.openHolding(
      await world.holds('L-1', { revision: item?.revision ?? null }),
    );
    expect(await world.openSubjects()).toEqual(['holding:lims:L-1']);
    const told = await world.world.told();
    expect(told.at(-1)).not.toMatch(/ conforms$/);
    const { db } = world.world.database;
    const [last] = await db
      .selectFrom('statement')
      .select('revision')
      .orderBy('revision', 'desc')
      .execute();
    expect(last?.revision).toBeLessThan(10);
  });
});
