import { describe, expect, it } from 'vitest';
import { DiscrepanciesService } from '../../src/reconciliation/discrepancies.service.js';
import { readDiscrepancyQuery } from '../../src/reconciliation/discrepancy-query.js';
import { PAGE_MAX } from '../../src/reconciliation/page-cursor.js';
import { ComparisonWorld } from './comparison-world.js';

const REVIEWER = { kind: 'person', name: 'account-7', source: '192.0.2.7' } as const;
const ZONE = 'Europe/London';

async function seeded() {
  const compared = await ComparisonWorld.open();
  const { database, clock, site } = compared.world;
  const containers = Array.from({ length: 7 }, (_, i) => `D-0${i + 1}`);
  await compared.world.announce({ containers });
  await compared.comparison.catchUp();
  const service = new DiscrepanciesService(database, clock, {
    ...site,
    serviceTargetHours: { 'not-measured': 2 },
  });
  return { compared, service };
}

function query(fields: Record<string, string>) {
  const read = readDiscrepancyQuery(fields, ZONE);
  if (typeof read === 'string') throw new Error(read);
  return read;
}

describe('discrepancies for people', () => {
  it('come in pages that an opaque cursor continues, each once', async () => {
    const { service } = await seeded();
    const seen: string[] = [];
    let cursor: string | null = '';
    while (cursor !== null) {
      const page = await service.page(query({ limit: '3', ...(cursor === '' ? {} : { cursor }) }));
      seen.push(...page.items.map((d) => d.subject));
      cursor = page.next;
    }
    expect(seen).toHaveLength(7);
    expect(new Set(seen).size).toBe(7);
    expect((await service.page(query({ class: 'held' }))).items).toEqual([]);
    expect(
      (await service.page(query({ receipt: 'R-1', class: 'not-measured' }))).items,
    ).toHaveLength(7);
  });

  it('are refused by the name of the field when they are asked for wrongly', () => {
    for (const [fields, starts] of [
      [{ limit: `${PAGE_MAX + 1}` }, 'limit:'],
      [{ limit: '0' }, 'limit:'],
      [{ cursor: 'bm90IG91cnM' }, 'cursor:'],
      [{ class: '__proto__' }, 'class:'],
      [{ day: '2026-02-30' }, 'day:'],
      [{ state: 'open', day: '2026-02-03' }, 'state:'],
      [{ state: 'gone' }, 'state:'],
      [{ nonsense: '1' }, 'nonsense:'],
      [{ receipt: 'x'.repeat(300) }, 'receipt:'],
    ] as const) {
      expect(readDiscrepancyQuery(fields, ZONE)).toEqual(expect.stringMatching(`^${starts}`));
    }
  });

  it('have the owner and the target of their class, the target of the site before the default', async () => {
    const { compared, service } = await seeded();
    const [group] = await service.groups({ state: 'open' });
    expect(group).toMatchObject({ count: 7, late: 0, filter: { receipt: 'R-1' } });
    compared.world.clock.advance(2 * 3_600_000 + 1);
    expect((await service.groups({ state: 'open' }))[0]).toMatchObject({ count: 7, late: 7 });
    const { items } = await service.page(query({ limit: '1' }));
    expect(items[0]).toMatchObject({ owner: 'role:reviewer', isLate: true, closedAt: null });
  });

  it('rule 16: no comment and no owner closes one; only a measurement does', async () => {
    const { compared, service } = await seeded();
    const { items } = await service.page(query({ limit: '1' }));
    const id = items[0]?.id ?? '';
    const said = { text: 'measured, believe me: result:row-1', reference: 'result:row-1' };
    expect(await service.comment(id, said, REVIEWER)).toEqual({ kind: 'done' });
    expect(await service.comment(id, { text: 'done', reference: null }, REVIEWER)).toEqual({
      kind: 'done',
    });
    expect(await service.assign(id, 'person:Robin', 'at the dock', REVIEWER)).toEqual({
      kind: 'done',
    });
    await compared.comparison.catchUp();
    const open = await service.find(id);
    expect(open).toMatchObject({ closedAt: null, owner: 'person:Robin' });
    expect(open?.history.map((h) => h.what)).toEqual(['opened', 'evidence', 'comment', 'owner']);
    await compared.world.measure({ container: 'D-01' });
    await compared.comparison.catchUp();
    const closed = await service.find(id);
    expect(closed?.history.at(-1)).toMatchObject({ what: 'closed', reference: 'result:row-1' });
    expect(await service.assign(id, null, 'too late', REVIEWER)).toEqual({ kind: 'closed' });
    expect(
      await service.comment(id, { text: 'for the record', reference: null }, REVIEWER),
    ).toEqual({ kind: 'done' });
    const trail = await compared.world.database.db
      .selectFrom('audit_entry')
      .select(['action', 'actor', 'source', 'reason'])
      .where('subject_kind', '=', 'discrepancy')
      .orderBy('id')
      .execute();
    expect(trail.map((t) => t.action)).toEqual([
      'discrepancy.commented',
      'discrepancy.commented',
      'discrepancy.owned',
      'discrepancy.commented',
    ]);
    expect(trail[0]).toMatchObject({ actor: 'account-7', source: '192.0.2.7' });
  });

  it('take a form that is sent twice, at once or one behind the other, as one comment', async () => {
    const { compared, service } = await seeded();
    const [first, other] = (await service.page(query({ limit: '2' }))).items.map((i) => i.id);
    const said = { text: 'asked the dock', reference: null };
    const form = '01900000-0000-7000-8000-00000000c0de';
    const send = (id = first, what = said, who: typeof REVIEWER = REVIEWER) =>
      service.comment(id ?? '', what, who, form);
    expect(await Promise.all([send(), send()])).toEqual([{ kind: 'done' }, { kind: 'done' }]);
    expect(await send()).toEqual({ kind: 'done' });
    const refused = { kind: 'refused', fault: expect.stringContaining('taken before') };
    expect(await send(first, { ...said, text: 'something else' })).toEqual(refused);
    expect(await send(other)).toEqual(refused);
    const somebody = { ...REVIEWER, name: 'account-8' } as unknown as typeof REVIEWER;
    expect(await send(first, said, somebody)).toEqual(refused);
    expect((await service.find(first ?? ''))?.history.map((h) => h.text).slice(1)).toEqual([
      'asked the dock',
    ]);
    expect((await service.find(other ?? ''))?.history).toHaveLength(1);
    const trail = await compared.world.database.db
      .selectFrom('audit_entry')
      .select('id')
      .where('action', '=', 'discrepancy.commented')
      .execute();
    expect(trail).toHaveLength(1);
  });

  it('take what no form names, or names by something else, each time', async () => {
    const { service } = await seeded();
    const id = (await service.page(query({ limit: '1' }))).items[0]?.id ?? '';
    const said = { text: 'again', reference: null };
    for (const sentAs of [null, null, 'x', 'x']) await service.comment(id, said, REVIEWER, sentAs);
    expect((await service.find(id))?.history).toHaveLength(5);
  });

  it('refuse empty words, owners that are nobody, and ids that are none', async () => {
    const { service } = await seeded();
    const { items } = await service.page(query({ limit: '1' }));
    const id = items[0]?.id ?? '';
    expect(await service.comment(id, { text: '  ', reference: null }, REVIEWER)).toMatchObject({
      kind: 'refused',
    });
    expect(await service.assign(id, 'role:boss', 'why', REVIEWER)).toMatchObject({
      kind: 'refused',
    });
    expect(await service.comment('no-such', { text: 'x', reference: null }, REVIEWER)).toEqual({
      kind: 'unknown',
    });
    expect(await service.find('no-such')).toBeNull();
  });
});
