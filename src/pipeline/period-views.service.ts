import type { Instant } from '../formats/instant.js';
import { type ResultSums, sumDaysBy } from '../reconciliation/day-counts.store.js';
import {
  type ClosedPeriod,
  dayAfter,
  daysBefore,
  isOneDay,
  judgeDay,
  type PeriodDay,
} from '../reconciliation/period-days.js';
import { signedPeriod } from '../reconciliation/period-record.js';
import type { PeriodReport } from '../reconciliation/period-report.js';
import {
  addendaOf,
  addendaOfPeriods,
  changesOf,
  deliveriesOfPeriod,
  findPeriod,
  overlappingPeriods,
} from '../reconciliation/periods.store.js';
import { signatureManifest } from '../signatures/signature.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';

/** Days of a list; older ones are a page away. */
const DAYS_LISTED = 28;
/** Changes shown of one addendum. */
const CHANGES_MAX = 20_000;

export interface ListedDay extends PeriodDay {
  /** Results measured on it; null when there are none. */
  readonly results: ResultSums | null;
}

export interface PeriodDays {
  readonly days: readonly ListedDay[];
  /** Closed periods of that time that are no single day, the latest first. */
  readonly others: readonly ClosedPeriod[];
  /** The day that the next page lies before; it is not in this list's continuation. */
  readonly next: string;
  readonly isLatest: boolean;
}

/** Reads what is shown of days and closed periods. */
export class PeriodViews {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: Pick<SiteFolder, 'site' | 'title' | 'timeZone'>,
  ) {}

  /** Days before one, up to today when none is named, with what is closed of them. */
  async days(before: string | null): Promise<PeriodDays> {
    const { db } = this.database;
    const { site, timeZone } = this.site;
    const now = this.clock.now();
    const days = daysBefore(before ?? dayAfter(now, timeZone), DAYS_LISTED, timeZone);
    const first = days.at(-1);
    const last = days[0];
    if (first === undefined || last === undefined) throw new Error('no day lies before it');
    const closed = await this.#closed(first.from, last.to);
    const sums = await sumDaysBy(db, site, 'day', { first: first.day, last: last.day });
    const byDay = new Map(sums.map((s) => [s.key, s]));
    return {
      days: days.map((day) => ({
        ...judgeDay(day, closed, now),
        results: byDay.get(day.day) ?? null,
      })),
      others: closed.filter((p) => !isOneDay(p, timeZone)).reverse(),
      next: first.day,
      isLatest: before === null,
    };
  }

  /** A closed period as it is shown and written; null when there is none of this id. */
  async report(id: string): Promise<PeriodReport | null> {
    const { db } = this.database;
    const { site } = this.site;
    const row = await findPeriod(db, site, id);
    if (!row) return null;
    const addenda = await addendaOf(db, site, id);
    const ids = [
      row.signature,
      ...addenda.flatMap((a) => (a.signature === null ? [] : [a.signature])),
    ];
    const signatures = new Map((await signaturesByIds(db, site, ids)).map((s) => [s.id, s]));
    const manifest = (signatureId: string) => {
      const signature = signatures.get(signatureId);
      if (!signature) throw new Error(`signature ${signatureId} is not there`);
      return signatureManifest(signature);
    };
    const reported = [];
    for (const a of addenda) {
      reported.push({
        number: a.number,
        openedAt: a.opened_at,
        changes: await changesOf(db, site, a.id, CHANGES_MAX),
        signature: a.signature === null ? null : manifest(a.signature),
      });
    }
    return {
      id,
      siteTitle: this.site.title,
      period: signedPeriod(row),
      signature: manifest(row.signature),
      addenda: reported.map((a) => ({
        ...a,
        changes: a.changes.map(({ at, subject, detail }) => ({ at, subject, detail })),
      })),
      deliveries: await deliveriesOfPeriod(db, site, id),
    };
  }

  async #closed(from: Instant, to: Instant): Promise<ClosedPeriod[]> {
    const { db } = this.database;
    const { site } = this.site;
    const rows = await overlappingPeriods(db, site, from, to);
    const addenda = await addendaOfPeriods(
      db,
      site,
      rows.map((r) => r.id),
    );
    return rows.map((row) => {
      const mine = addenda.filter((a) => a.period_id === row.id);
      const open = mine.find((a) => a.closed_at === null);
      return {
        id: row.id,
        from: row.from_at,
        to: row.to_at,
        signedAddenda: mine.filter((a) => a.closed_at !== null).length,
        openAddendum: open?.number ?? null,
      };
    });
  }
}
