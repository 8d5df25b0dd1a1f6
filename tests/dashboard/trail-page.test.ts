import { describe, expect, it } from 'vitest';
import { recordAudit } from '../../src/audit/audit.store.js';
import { DashboardService } from '../../src/dashboard/dashboard.service.js';
import { renderTrailPage } from '../../src/dashboard/trail.page.js';
import { changesOf, TRAIL_PAGE, type TrailQuery } from '../../src/dashboard/trail-view.js';
import { parseTimestamp } from '../../src/formats/instant.js';
import { change, SITE, sealerOn } from '../audit/sealing-world.js';
import { COMMAND_LINE, newAccount, peopleOn } from '../support/people.js';
import { temporaryDatabase } from '../support/temp-database.js';

const SHOWN = {
  site: SITE,
  title: 'Northquay',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/Berlin',
} as const;

const ZONE = SHOWN.timeZone;

async function trailOf(entries: number) {
  return (await trailAnd(entries)).load;
}

async function trailAnd(entries: number) {
  const database = await temporaryDatabase();
  const { sealer, clock } = await sealerOn(database);
  await change(database, entries - 1, clock);
  await sealer.sealAll();
  clock.advance(86_400_000);
  await change(database, 1, clock);
  const nothing = () => Promise.reject(new Error('not asked for'));
  const service = new DashboardService(
    database.db,
    clock,
    SHOWN as never,
    { report: nothing, receiptsOf: nothing },
    { shown: nothing },
    { page: nothing, find: nothing },
  );
  return { database, clock, load: (query: TrailQuery) => service.loadTrail(query) };
}

describe('the page of the trail', () => {
  it('shows every entry once, the latest first, page by page', async () => {
    const load = await trailOf(TRAIL_PAGE * 2 + 7);
    const seen: string[] = [];
    let query: TrailQuery = {};
    for (;;) {
      const { entries, next } = await load(query);
      seen.push(...entries.map(({ id }) => id));
      if (next === null) break;
      query = Object.fromEntries(new URLSearchParams(next));
    }
    expect(seen).toHaveLength(TRAIL_PAGE * 2 + 7);
    expect(new Set(seen).size).toBe(seen.length);
  });

  it('finds by day, person, action, subject and text of the reason, and nothing else', async () => {
    const load = await trailOf(6);
    const count = async (query: TrailQuery) => (await load(query)).entries.length;
    expect(await count({ from: '2026-11-25', to: '2026-11-25' })).toBe(5);
    expect(await count({ from: '2026-11-26' })).toBe(1);
    expect(await count({ actor: 'cli' })).toBe(6);
    expect(await count({ actor: 'cl' })).toBe(0);
    expect(await count({ action: 'thing.' })).toBe(6);
    expect(await count({ action: '%' })).toBe(0);
    expect(await count({ subject: 't-3' })).toBe(1);
    expect(await count({ reason: 'DRUM 3' })).toBe(1);
    expect(await count({ reason: 'drum 4' })).toBe(1);
    expect(await count({ reason: '_' })).toBe(0);
  });

  it('says what is wrong with what was asked for, and looks for nothing', async () => {
    const load = await trailOf(2);
    for (const query of [
      { from: '2026-02-30' },
      { to: 'x' },
      { behind: "1' or 1" },
      { actor: 'x'.repeat(201) },
    ]) {
      const view = await load(query);
      expect(view.fault, JSON.stringify(query)).not.toBeNull();
      expect(view.entries).toEqual([]);
      expect(renderTrailPage(view)).toContain('role="alert"');
    }
  });

  it('shows before and after as a difference, the seal, and markup as text', async () => {
    const view = await (await trailOf(2))({});
    const [waiting, sealed] = view.entries;
    expect(waiting?.seal).toBeNull();
    expect(sealed?.seal?.sequence).toBe(0);
    const page = renderTrailPage({
      ...view,
      entries: view.entries.map((entry) => ({ ...entry, reason: '<script>x</script>' })),
    });
    expect(page).toContain('waits for its seal');
    expect(page).toContain('<del>-1</del>');
    expect(page).toContain('<ins>0</ins>');
    expect(page).toContain('192.0.2.7');
    expect(page).not.toContain('<script>');
    expect(page).not.toMatch(/method="post"|<button[^>]*>(?:Edit|Delete)/i);
  });

  it('names a person by user name beside the id of the account, and finds what they did by either', async () => {
    const { load, database, clock } = await trailAnd(2);
    const { accounts } = peopleOn(database, clock, SITE);
    const made = await accounts.create(newAccount('Mira.Holt'), COMMAND_LINE);
    if (!made.ok) throw new Error(made.fault.message);
    const actor = { kind: 'person', name: made.id, source: '192.0.2.7' } as const;
    const entry = { site: SITE, zone: ZONE, at: clock.now(), actor };
    await database.transact((trx) =>
      recordAudit(trx, { ...entry, action: 'thing.seen', subjectKind: 'thing', subjectId: 't-9' }),
    );
    for (const asked of ['mira.holt', made.id]) {
      const view = await load({ actor: asked });
      expect(view.entries.map(({ action }) => action)).toEqual(['thing.seen']);
      const page = renderTrailPage(view);
      expect(page).toContain('<bdi>Mira.Holt</bdi>');
      expect(page).toContain(made.id);
    }
    expect((await load({ actor: 'mira' })).entries).toEqual([]);
  });

  it('tells instants of an entry by the clock of the site, exactly, and leaves other numbers alone', () => {
    const at = parseTimestamp('2026-07-01T08:00:00.000001Z')?.instant;
    const later = parseTimestamp('2026-07-01T08:00:00.000002Z')?.instant;
    const before = JSON.stringify({ lastUsedAt: at, seq: at, retryAt: 5 });
    const after = JSON.stringify({ lastUsedAt: later, seq: null, retryAt: null });
    expect(changesOf(before, after, ZONE)).toEqual([
      {
        name: 'lastUsedAt',
        before: '2026-07-01T10:00:00.000001+02:00',
        after: '2026-07-01T10:00:00.000002+02:00',
      },
      { name: 'seq', before: String(at), after: 'null' },
      { name: 'retryAt', before: '5', after: 'null' },
    ]);
  });

  it('names members that came, went or changed, and leaves out what stayed', () => {
    expect(changesOf('{"a":1,"b":2,"c":null}', '{"a":1,"b":3,"d":[4]}', ZONE)).toEqual([
      { name: 'b', before: '2', after: '3' },
      { name: 'c', before: 'null', after: null },
      { name: 'd', before: null, after: '[4]' },
    ]);
    expect(changesOf(null, null, ZONE)).toEqual([]);
    expect(changesOf('not json', null, ZONE)).toEqual([
      { name: 'value', before: 'not json', after: null },
    ]);
  });
});
