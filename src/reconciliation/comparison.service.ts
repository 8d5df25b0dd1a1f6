import { recordAudits } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import { resultSubject } from '../receipts/evidence-subject.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { deliverySubject, type MeasuredResult } from './compare.js';
import {
  type CompareSettings,
  changesByReceipt,
  changesTo,
  compareReceipt,
  compareUnowned,
  type DiscrepancyChanges,
  type ReceiptToCompare,
  subjectsIn,
} from './compare-unit.js';
import {
  type ComparedSubjects,
  type MarkedSubject,
  markedDeliveries,
  markedResults,
  subjectsOf,
} from './compared-subjects.js';
import {
  deleteCells,
  deleteCellsOfNobody,
  deleteMarks,
  discrepanciesById,
  dueByNow,
  markAll,
  readDiscrepancyMarks,
  readMarks,
  type StoredReceipt,
  saveCells,
  saveDue,
  saveReceipts,
  saveSettings,
  storedCells,
  storedDiscrepancies,
  storedReceipts,
  takeComparison,
} from './comparison.store.js';
import { comparedEntry } from './comparison-audit.js';
import {
  deliveriesById,
  groupBy,
  readUnowned,
  receiptsToCompare,
  resultsById,
  unownedToCompare,
} from './comparison-facts.store.js';
import { applyChanges } from './derived-discrepancies.store.js';
import { type NotedChange, notedChanges } from './noted-changes.js';
import { noteInClosedPeriods } from './periods.store.js';
import { dayFinder, siteDay, startFinder } from './site-day.js';
import { addCells, type Cell, cellKey, tallyResults } from './tally.js';

/** A delivery that is not confirmed a quarter of an hour after it was made is worth a look. */
const OVERDUE_AFTER_MS = 900_000;
/** Marks of one round: its transaction must not hold up others for long. */
const MARKS_A_ROUND = 2_000;
const RECEIPTS_A_ROUND = 40;
/** Rounds that a reader waits for at most; one that never catches up would be a defect. */
const ROUNDS_MAX = 100_000;

export interface Round {
  /** Subjects compared: receipts, and what belongs to none. */
  readonly compared: number;
  /** True when more is marked already, or may be due. */
  readonly isMore: boolean;
}

export type ComparedSite = Pick<SiteFolder, 'site' | 'timeZone' | 'destinations'>;

/**
 * Keeps the comparison of expected, measured, delivered and confirmed up to date: the database marks what
 * changes, a round compares what is marked. What is stored is the same as comparing everything from scratch.
 */
export class ComparisonService {
  readonly #dayOf: (instant: Instant) => string;
  readonly #startOf: (day: string) => Instant | null;
  readonly #settings: string;

  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: ComparedSite,
    private readonly overdueAfterMs = OVERDUE_AFTER_MS,
    /** Destinations that cannot be told that a result was withdrawn. */
    private readonly withoutWithdrawal: readonly string[] = [],
  ) {
    this.#dayOf = dayFinder(site.timeZone);
    this.#startOf = startFinder(site.timeZone);
    this.#settings = JSON.stringify({
      timeZone: site.timeZone,
      destinations: site.destinations.map((d) => [d.name, d.requiredForStatement]),
      overdueAfterMs,
      // Counted up where the comparison learns to find more: what is stored is compared anew then.
      rules: 3,
      withoutWithdrawal,
    });
  }

  /** What the comparison depends on besides rows. */
  settingsAt(now: Instant): CompareSettings {
    return {
      dayOf: this.#dayOf,
      destinations: this.site.destinations.map((d) => ({
        name: d.name,
        required: d.requiredForStatement,
        cannotWithdraw: this.withoutWithdrawal.includes(d.name),
      })),
      overdueAfterMs: this.overdueAfterMs,
      now,
    };
  }

  /** Compares what is marked, a bounded part of it; null when another process is at it. */
  round(): Promise<Round | null> {
    return this.database.transact((trx) => this.roundInTransaction(trx, false));
  }

  /** Compares until nothing that was committed before is marked any more. */
  async catchUp(): Promise<void> {
    for (let n = 0; n < ROUNDS_MAX; n += 1) {
      const round = await this.database.transact((trx) => this.roundInTransaction(trx, true));
      if (round === null || !round.isMore) return;
    }
    throw new Error('the comparison never caught up');
  }

  /** As `round`, in a transaction of the caller, who waits for his turn or not. */
  async roundInTransaction(trx: Trx, wait: boolean): Promise<Round | null> {
    const { site } = this.site;
    const settings = await takeComparison(trx, site, wait);
    if (settings === null) return null;
    if (settings !== this.#settings) {
      await markAll(trx, site);
      // In another zone a result of no receipt counts on another day, and nothing would look at the day before any more.
      await deleteCellsOfNobody(trx, site);
      await saveSettings(trx, site, this.#settings);
    }
    const now = this.clock.now();
    const marks = await readMarks(trx, site, MARKS_A_ROUND);
    const due = await dueByNow(trx, site, now, RECEIPTS_A_ROUND);
    const isIdle = marks.length + due.length === 0;
    if (isIdle && (await readDiscrepancyMarks(trx, site, 1)).length === 0) {
      return { compared: 0, isMore: false };
    }
    // What came due is done with; comparing it says when it is due again, and under whom.
    for (const { kind, subject } of due) {
      if (kind !== 'receipt') await saveDue(trx, site, { kind, subject }, null);
    }
    const { taken, subjects } = await this.#take(trx, marks, due);
    const counted = await this.#compare(trx, subjects, now);
    // Those of this comparison are among them.
    const answered = await readDiscrepancyMarks(trx, site, MARKS_A_ROUND);
    const discrepancies = await discrepanciesById(
      trx,
      answered.map((mark) => mark.subject),
    );
    const noted = notedChanges([...taken, ...answered], { ...subjects, discrepancies });
    await noteInClosedPeriods(trx, site, [...noted, ...counted], now);
    await deleteMarks(trx, [...taken, ...answered]);
    const compared =
      subjects.receiptIds.length +
      subjects.unownedResults.length +
      subjects.unownedDeliveries.length;
    const isMore =
      marks.length === MARKS_A_ROUND ||
      taken.length < marks.length ||
      answered.length === MARKS_A_ROUND ||
      due.length >= RECEIPTS_A_ROUND;
    return { compared, isMore };
  }

  /** As many of the marks, oldest first, as concern few enough receipts. */
  async #take<M extends MarkedSubject>(
    trx: Trx,
    marks: readonly M[],
    due: readonly MarkedSubject[],
  ): Promise<{ taken: readonly M[]; subjects: ComparedSubjects }> {
    const { site } = this.site;
    const all = [...due, ...marks];
    const deliveries = await deliveriesById(trx, site, markedDeliveries(all));
    const ofDeliveries = deliveries.filter((d) => d.subjectKind === 'result');
    const results = await resultsById(trx, [
      ...new Set([...markedResults(all), ...ofDeliveries.map((d) => d.subjectId)]),
    ]);
    const whole = subjectsOf(all, results, deliveries);
    if (whole.receiptIds.length <= RECEIPTS_A_ROUND) return { taken: marks, subjects: whole };
    const ownerOfResult = new Map(results.map((r) => [r.rowId, r.receiptId]));
    const byDelivery = new Map(
      deliveries.map((d) => [
        d.deliveryId,
        d.subjectKind === 'result' ? (ownerOfResult.get(d.subjectId) ?? null) : d.receiptId,
      ]),
    );
    const ownerOf = ({ kind, subject }: MarkedSubject) =>
      kind === 'receipt'
        ? subject
        : kind.startsWith('result')
          ? (ownerOfResult.get(subject) ?? null)
          : (byDelivery.get(subject) ?? null);
    const owners = new Set<string>();
    const taken = marks.filter((mark) => {
      const owner = ownerOf(mark);
      if (owner !== null && !owners.has(owner) && owners.size >= RECEIPTS_A_ROUND) return false;
      if (owner !== null) owners.add(owner);
      return true;
    });
    const some = [...due, ...taken];
    const isTaken = new Set(markedDeliveries(some));
    const sent = deliveries.filter((d) => isTaken.has(d.deliveryId));
    const wanted = new Set([
      ...markedResults(some),
      ...sent.filter((d) => d.subjectKind === 'result').map((d) => d.subjectId),
    ]);
    return {
      taken,
      subjects: subjectsOf(
        some,
        results.filter((r) => wanted.has(r.rowId)),
        sent,
      ),
    };
  }

  async #compare(trx: Trx, subjects: ComparedSubjects, now: Instant): Promise<NotedChange[]> {
    const touched = new Set(subjectsIn(subjects));
    const counted = await this.compareReceipts(trx, subjects.receiptIds, touched, now);
    await this.#compareUnowned(trx, subjects, now);
    await this.#countUnowned(trx, subjects.results);
    return counted;
  }

  /**
   * Compares these receipts and stores what differs from what was stored, with trail entries.
   *
   * @param touched subjects whose rows, and those of their deliveries, may still stand under another receipt, or under none
   * @returns receipts of which other counts were stored; the database marks the discrepancies
   */
  async compareReceipts(
    trx: Trx,
    receiptIds: readonly string[],
    touched: ReadonlySet<string>,
    now: Instant,
  ): Promise<NotedChange[]> {
    if (receiptIds.length === 0) return [];
    const { site } = this.site;
    const settings = this.settingsAt(now);
    const receipts = await receiptsToCompare(trx, site, receiptIds);
    const compared = receipts.map((of) => ({ of, now: compareReceipt(of, settings) }));
    const ids = receipts.map((r) => r.receiptId);
    const before = new Map(
      (await storedReceipts(trx, site, receiptIds)).map((r) => [r.receiptId, r]),
    );
    const tallies = compared.map(({ now: c }) => ({ ...c.tally, nextDueAt: c.nextDueAt }));
    await saveReceipts(
      trx,
      site,
      tallies.filter((t) => !isSameTally(t, before.get(t.receiptId))),
    );
    const cellsBefore = await storedCells(trx, site, ids);
    await this.saveCellsOf(
      trx,
      compared.flatMap(({ now: c }) => c.cells),
      cellsBefore,
    );
    const measuredOn = daysByReceipt([
      ...cellsBefore,
      ...compared.flatMap(({ now: c }) => c.cells),
    ]);
    const stored = await storedDiscrepancies(
      trx,
      site,
      receiptIds,
      withTheirDeliveries(touched, receipts),
    );
    const changes = changesByReceipt(
      compared.map(({ of, now: c }) => ({ of, discrepancies: c.discrepancies })),
      stored,
    );
    const counted: NotedChange[] = [];
    for (const { of, now: c } of compared) {
      const mine = changes.get(of.receiptId);
      if (mine) {
        await this.#apply(trx, of.receiptId, mine, now);
        counted.push(...dayChanges(mine, this.#dayOf));
      }
      const was = before.get(of.receiptId);
      const days = new Set([c.tally.day, was?.day ?? '', ...(measuredOn.get(of.receiptId) ?? [])]);
      const change = tallyChange(of, c.tally, was);
      if (change !== null) {
        counted.push(...this.#startsOf(days).map((countsAt) => ({ ...change, countsAt })));
      }
    }
    return counted;
  }

  /** Where days of the site's zone begin; '' is none. */
  #startsOf(days: Iterable<string>): Instant[] {
    return [...days].flatMap((day) => this.#startOf(day) ?? []);
  }

  async #compareUnowned(trx: Trx, subjects: ComparedSubjects, now: Instant): Promise<void> {
    const { site } = this.site;
    const { unownedResults, unownedDeliveries } = subjects;
    if (unownedResults.length + unownedDeliveries.length === 0) return;
    const settings = this.settingsAt(now);
    const facts = await unownedToCompare(trx, site, unownedResults);
    const others = await deliveriesById(trx, site, unownedDeliveries);
    const all = {
      containers: [],
      results: facts.results,
      deliveries: [...facts.deliveries, ...others],
    };
    const compared = compareUnowned(all, settings);
    const stored = await storedDiscrepancies(trx, site, [], subjectsIn(all));
    const ofResult = groupBy(facts.deliveries, (d) => d.subjectId);
    for (const result of facts.results) {
      const deliveries = ofResult.get(result.rowId) ?? [];
      const due = compareUnowned({ results: [], deliveries }, settings).nextDueAt;
      await saveDue(trx, site, { kind: 'result-again', subject: result.rowId }, due);
    }
    for (const delivery of others) {
      const due = compareUnowned({ results: [], deliveries: [delivery] }, settings).nextDueAt;
      await saveDue(trx, site, { kind: 'delivery-again', subject: delivery.deliveryId }, due);
    }
    await this.#apply(trx, '', changesTo(compared.discrepancies, stored, all), now);
  }

  /** Counts again the days and instruments on which these results count as nobody's, or did before. */
  async #countUnowned(trx: Trx, results: readonly MeasuredResult[]): Promise<void> {
    const { site, timeZone } = this.site;
    for (const [day, instruments] of placesOf(results, this.#dayOf)) {
      const period = siteDay(day, timeZone);
      if (period === null) continue;
      const counted: string[] = [];
      const stored: Cell[] = [];
      for (const [instrument, isUnowned] of instruments) {
        const before = await storedCells(trx, site, [''], { day, instrument });
        if (!isUnowned && before.length === 0) continue;
        counted.push(instrument);
        stored.push(...before);
      }
      if (counted.length === 0) continue;
      const cells = new Map<string, Cell>();
      const settings = this.settingsAt(this.clock.now());
      await readUnowned(trx, site, { period, instruments: counted }, (page) =>
        addCells(cells, tallyResults(page.results, page.deliveries, settings)),
      );
      await this.saveCellsOf(trx, [...cells.values()], stored);
    }
  }

  /** Turns stored cells into these. */
  async saveCellsOf(trx: Trx, cells: readonly Cell[], stored: readonly Cell[]): Promise<void> {
    const { site } = this.site;
    const before = new Map(stored.map((c) => [cellKey(c), c]));
    const now = new Set(cells.map(cellKey));
    await saveCells(
      trx,
      site,
      cells.filter((c) => !isSameCell(c, before.get(cellKey(c)))),
    );
    await deleteCells(
      trx,
      site,
      stored.filter((c) => !now.has(cellKey(c))),
    );
  }

  async #apply(
    trx: Trx,
    receiptId: string,
    changes: DiscrepancyChanges,
    now: Instant,
  ): Promise<void> {
    const { site, timeZone } = this.site;
    const count = changes.open.length + changes.update.length + changes.close.length;
    if (count === 0) return;
    await applyChanges(trx, site, changes, now);
    await recordAudits(trx, comparedEntry({ site, timeZone, receiptId, changes, now }));
  }
}

/** Days and instruments of these results, and whether one of them belongs to no receipt. */
function placesOf(
  results: readonly MeasuredResult[],
  dayOf: (instant: Instant) => string,
): ReadonlyMap<string, ReadonlyMap<string, boolean>> {
  const days = new Map<string, Map<string, boolean>>();
  for (const r of results) {
    const day = dayOf(r.countsAt);
    const instruments = days.get(day) ?? new Map<string, boolean>();
    const instrument = r.instrument ?? '';
    instruments.set(instrument, r.receiptId === null || instruments.get(instrument) === true);
    days.set(day, instruments);
  }
  return days;
}

/** A result that moves to a receipt takes its deliveries along, which nothing marks then. */
function withTheirDeliveries(
  touched: ReadonlySet<string>,
  receipts: readonly ReceiptToCompare[],
): Set<string> {
  const theirs = receipts
    .flatMap((r) => r.deliveries)
    .filter((d) => d.subjectKind === 'result' && touched.has(resultSubject(d.subjectId)));
  return new Set([...touched, ...theirs.map((d) => deliverySubject(d.deliveryId))]);
}

export function isSameCell(a: Cell, b: Cell | undefined): boolean {
  return (
    a.accepted === b?.accepted &&
    a.held === b.held &&
    a.refused === b.refused &&
    a.superseded === b.superseded &&
    a.delivered === b.delivered &&
    a.confirmed === b.confirmed
  );
}

export function isSameTally(a: StoredReceipt, b: StoredReceipt | undefined): boolean {
  return (
    a.day === b?.day &&
    a.containers === b.containers &&
    a.expected === b.expected &&
    a.measured === b.measured &&
    a.nextDueAt === b.nextDueAt
  );
}

/** Days on which something was measured of receipts. */
function daysByReceipt(cells: readonly Cell[]): ReadonlyMap<string, ReadonlySet<string>> {
  const days = new Map<string, Set<string>>();
  for (const { receiptId, day } of cells) {
    const known = days.get(receiptId);
    if (known) known.add(day);
    else days.set(receiptId, new Set([day]));
  }
  return days;
}

/**
 * What of a receipt's containers changed, for each day that counts them: that of its goods receipt, as it was and as it is,
 * and those on which something was measured of it. null when nothing did.
 */
function tallyChange(
  of: ReceiptToCompare,
  now: Pick<StoredReceipt, 'day' | 'containers' | 'expected' | 'measured'>,
  before: StoredReceipt | undefined,
): Omit<NotedChange, 'countsAt'> | null {
  const counts = ({ expected, measured }: Pick<StoredReceipt, 'expected' | 'measured'>) =>
    `${measured} of ${expected} containers measured`;
  if (before && counts(before) === counts(now) && before.day === now.day) return null;
  const was = before ? `${counts(before)} before` : 'not known before';
  const moved =
    before && before.day !== now.day ? `; ${placeOf(now)}, ${placeOf(before)} before` : '';
  const about = `receipt ${of.receiptId} (`;
  return {
    subject: `receipt:${of.receiptId}`,
    detail: `${about}revision ${of.revision}): ${counts(now)}, ${was}${moved}`,
    about,
  };
}

function placeOf({ day }: Pick<StoredReceipt, 'day'>): string {
  return day === '' ? 'without a goods receipt' : `received on ${day}`;
}

/** Discrepancies that count on another day now, for the day that they leave and the one that they come to. */
function dayChanges(
  { update }: DiscrepancyChanges,
  dayOf: (instant: Instant) => string,
): NotedChange[] {
  return update.flatMap(({ stored, to }) => {
    const [from, at] = [stored.countsFrom, to.countsFrom];
    if (from === null || at === null || dayOf(from) === dayOf(at)) return [];
    const about = `${to.class} counts on `;
    const detail = `${about}${dayOf(at)}, on ${dayOf(from)} before: ${to.detail}`;
    return [from, at].map((countsAt) => ({ subject: to.subject, countsAt, detail, about }));
  });
}
