import { describe, expect, it } from 'vitest';
import { openInstance } from '../../src/pipeline/instance.store.js';
import { openDiscrepancy } from '../../src/reconciliation/discrepancies.store.js';
import { loadSiteFolder } from '../../src/site/site-folder.files.js';
import type { DiscrepancyClass } from '../../src/storage/tables.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

/** What was found at a destination that is taken out of the site folder, and put back. */

const WHERE = { place: 'here', mark: null, isOneFile: false, epochOutside: 0 };

async function started() {
  const folder = await loadSiteFolder(NORTHQUAY, {});
  if (!folder.ok) throw new Error(JSON.stringify(folder.faults));
  const database = await temporaryDatabase();
  const clock = new ManualClock();
  const { site } = folder;
  /** With other content than before, as an edit of the folder gives it. */
  const start = (names: readonly string[], digest: string) => {
    clock.advance(60_000);
    const destinations = site.destinations.filter(({ name }) => names.includes(name));
    const edited = {
      ...folder,
      site: { ...site, destinations, digest: digest as typeof site.digest },
    };
    return openInstance(database, edited, WHERE, clock.now(), () => Promise.resolve());
  };
  await start(['lims', 'erp'], 'first');
  const find = (kind: DiscrepancyClass, subject: string, destination: string) =>
    database.transact((trx) =>
      openDiscrepancy(
        trx,
        {
          site: site.site,
          class: kind,
          subject,
          receiptId: null,
          containerLabel: null,
          destination,
          scope: { to: clock.now() },
          detail: `${subject} was found`,
          openedAt: clock.now(),
        },
        site.timeZone,
      ),
    );
  const hold = (identity: string, message: 'statement' | 'stop' | null) =>
    database.db
      .insertInto('destination_holding')
      .values({
        site: site.site,
        destination: 'erp',
        identity,
        reference: null,
        message,
        receipt_id: null,
        subject: null,
        revision: null,
        held_at: null,
        may_permit: 0,
        item: '{}',
        first_sweep: 'sweep',
        last_sweep: 'sweep',
        settled_at: null,
      })
      .execute();
  const open = async () => {
    const rows = await database.db
      .selectFrom('discrepancy')
      .select(['class', 'subject'])
      .where('closed_at', 'is', null)
      .orderBy('subject')
      .execute();
    return rows.map((row) => `${row.class} ${row.subject}`);
  };
  return { database, clock, site, start, find, hold, open };
}

describe('what was found at a destination that the site folder names no more', () => {
  it('is closed with that reason and in the trail, and is open again once it is named again', async () => {
    const { database, start, find, hold, open } = await started();
    await hold('A-1', 'statement');
    await find('unknown-at-source', 'holding:erp:A-1', 'erp');
    await find('differs', 'held:erp:d-1', 'erp');
    await find('differs', 'field:erp:result:/lot', 'erp');
    await find('destination-changed', 'destination:erp', 'erp');
    await find('absent', 'held:lims:d-2', 'lims');
    const all = await open();
    expect(all).toHaveLength(5);
    await start(['lims'], 'second');
    expect(await open()).toEqual(['absent held:lims:d-2']);
    const closed = await database.db
      .selectFrom('discrepancy')
      .select('closing_evidence')
      .distinct()
      .where('closed_at', 'is not', null)
      .execute();
    expect(closed.map((row) => row.closing_evidence)).toEqual([
      'the site folder names no destination erp any more: second',
    ]);
    const entries = await database.db
      .selectFrom('audit_entry')
      .select('reason')
      .where('action', '=', 'discrepancy.closed')
      .execute();
    expect(entries).toHaveLength(4);
    await start(['lims', 'erp'], 'third');
    expect(await open()).toEqual(all);
    const [scope] = await database.db
      .selectFrom('discrepancy')
      .select('scope')
      .where('subject', '=', 'held:erp:d-1')
      .where('closed_at', 'is', null)
      .execute();
    expect(JSON.parse(scope?.scope ?? '')).toEqual({ to: expect.any(Number) });
  });

  it('stays closed where a sweep answered it after it was named again', async () => {
    const { database, clock, start, find, open } = await started();
    await find('differs', 'held:erp:d-1', 'erp');
    await start(['lims'], 'second');
    await start(['lims', 'erp'], 'third');
    clock.advance(1000);
    await database.db
      .updateTable('discrepancy')
      .set({ closed_at: clock.now(), closing_evidence: 'sweep s-1: it is as it was sent' })
      .where('closed_at', 'is', null)
      .execute();
    await start(['lims', 'erp'], 'fourth');
    expect(await open()).toEqual([]);
  });

  it('stays open while it may be a stop that nobody here sent: only a signature or a list ends one', async () => {
    const { start, find, hold, open } = await started();
    await hold('A-2', 'stop');
    await hold('A-3', null);
    await find('unknown-at-source', 'holding:erp:A-2', 'erp');
    await find('unknown-at-source', 'holding:erp:A-3', 'erp');
    await start(['lims'], 'second');
    expect(await open()).toEqual([
      'unknown-at-source holding:erp:A-2',
      'unknown-at-source holding:erp:A-3',
    ]);
  });

  it('ends by the same folder too where a version before had left it open', async () => {
    const { start, find, open } = await started();
    await start(['lims'], 'second');
    await find('differs', 'held:erp:d-1', 'erp');
    await start(['lims'], 'second');
    expect(await open()).toEqual([]);
  });
});
