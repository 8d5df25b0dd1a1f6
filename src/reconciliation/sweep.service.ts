import { uuidv7 } from 'uuidv7';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import { addMs, formatInstant, type Instant, isStillToCome } from '../formats/instant.js';
import { fillListPath } from '../mapping/request-path.js';
import type { HeldList, MappingDocument } from '../site/mapping-document.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type {
  DestinationHoldingRow,
  SweepCause,
  SweepItemRow,
  SweepRow,
} from '../storage/tables.js';
import { bearingOn } from './bearing.store.js';
import { isReplacedThere } from './builds.store.js';
import { type HeldItem, type HeldPage, readHeldPage } from './held-list.js';
import { mayPermit } from './held-permission.js';
import { contentOf } from './holding-content.js';
import { keepHoldings } from './holdings.store.js';
import { takeSpareToken } from './spare-token.service.js';
import { SweepComparison } from './sweep-comparison.service.js';
import { noteOf } from './sweep-notes.js';
import type { Stepped, SweepParts } from './sweep-parts.service.js';
import {
  afterFailure,
  comparablePeriod,
  FAILURE_WAIT_MS_MAX,
  judgeHeld,
  listedPeriod,
  type SweepPeriod,
  scheduledSweep,
  sweptUntil,
} from './sweep-rules.js';
import {
  changeSweep,
  claimSweep,
  deliveriesByReference,
  doneBeyond,
  insertSweep,
  lastScheduledAt,
  noteItems,
  openSweep,
  scheduledFrom,
} from './sweeps.store.js';

export type SweepRequest =
  | { readonly ok: true; readonly id: string; readonly period: SweepPeriod }
  | { readonly ok: false; readonly reason: 'unknown' | 'not-listed' | 'too-new' };

/** Pages of one sweep; with 100 messages each a million. */
const PAGES_MAX = 10_000;
/** What a restore waits for cannot be asked for by shorter periods: only a list without an end is given up. */
const RECOVERY_PAGES_MAX = 1_000_000;
/** Steps before other work of the process gets its turn. */
const STEPS_A_TURN = 20;
const NO_TOKEN_WAIT_MS = 200;

const SYSTEM: Actor = { kind: 'system', name: 'sweep' };

/**
 * Lists what destinations hold of a period, page by page, and compares it with what was sent, both ways. Where
 * it stands is in the database after every page, so that any worker goes on where another ended.
 */
export class SweepService {
  readonly #parts: SweepParts;
  readonly #comparison: SweepComparison;
  #isStopping = false;

  constructor(parts: SweepParts) {
    this.#parts = parts;
    this.#comparison = new SweepComparison(parts);
  }

  /** True when the mapping of a destination says how to list what it holds. */
  canList(destination: string): boolean {
    return (this.#parts.documents.get(destination)?.list ?? null) !== null;
  }

  /** Puts a sweep down; it is worked on by whoever works for the destination. */
  async request(
    name: string,
    asked: SweepPeriod,
    cause: SweepCause,
    actor: Actor,
  ): Promise<SweepRequest> {
    const destination = this.#parts.site.destinations.find((d) => d.name === name);
    if (destination === undefined) return { ok: false, reason: 'unknown' };
    if (!this.canList(name)) return { ok: false, reason: 'not-listed' };
    const period = comparablePeriod(asked, destination.timing, this.#parts.clock.now());
    if (period === null) return { ok: false, reason: 'too-new' };
    const id = uuidv7();
    await this.#parts.database.transact((trx) =>
      this.#insert(trx, { id, destination: name, period, cause, actor }),
    );
    return { ok: true, id, period };
  }

  /** Goes on with the sweep of a destination, or begins the one that its schedule asks for. */
  async workOnce(name: string): Promise<{ readonly nextDueAt: Instant | null }> {
    const { database, clock, site, worker } = this.#parts;
    const destination = site.destinations.find((d) => d.name === name);
    if (destination === undefined || !this.canList(name)) return { nextDueAt: null };
    const scheduledAt = await this.#schedule(destination);
    const open = await openSweep(database.db, site.site, name);
    if (open === undefined) return { nextDueAt: scheduledAt };
    if (isStillToCome(open.due_at, clock.now(), FAILURE_WAIT_MS_MAX)) {
      return { nextDueAt: open.due_at };
    }
    if (!worker.mayStart) return { nextDueAt: null };
    const claimed = await database.transact((trx) => claimSweep(trx, open.id, worker.id));
    if (claimed === undefined) return { nextDueAt: null };
    return { nextDueAt: await this.#goOn(destination, claimed) };
  }

  stopTaking(): void {
    this.#isStopping = true;
  }

  async #goOn(destination: Destination, claimed: SweepRow): Promise<Instant | null> {
    const { database, clock, worker } = this.#parts;
    let sweep: SweepRow = claimed;
    for (let step = 0; step < STEPS_A_TURN && !this.#isStopping; step += 1) {
      // After a sleep another worker may have taken it up; its own writes then change nothing.
      if (!worker.mayStart) break;
      const stepped = await this.#step(destination, sweep);
      if (stepped.sweep === null) return stepped.waitUntil;
      sweep = stepped.sweep;
      if (stepped.waitUntil !== null) {
        await this.#release(sweep);
        return stepped.waitUntil;
      }
    }
    await database.transact((trx) => changeSweep(trx, sweep, { worker: null }));
    return clock.now();
  }

  async #release(sweep: SweepRow): Promise<void> {
    await this.#parts.database.transact((trx) => changeSweep(trx, sweep, { worker: null }));
  }

  async #step(destination: Destination, sweep: SweepRow): Promise<Stepped> {
    if (sweep.state === 'comparing') return await this.#comparison.step(destination, sweep);
    const { database, clock, site, looking, documents } = this.#parts;
    const document = documents.get(destination.name);
    const list = document?.list ?? null;
    if (document === undefined || list === null) {
      return await this.#fail(sweep, 'the mapping in force lists nothing');
    }
    const isGranted = await takeSpareToken({ database, clock, site: site.site }, destination);
    if (!isGranted) return { sweep, waitUntil: addMs(clock.now(), NO_TOKEN_WAIT_MS) };
    const path = pagePath(list, sweep);
    const result = await looking.document(destination, path);
    const page = readHeldPage(result, list, document.format, sweep.cursor);
    if (!page.ok) return await this.#retry(sweep, looking.keptText(page.detail));
    // The cursor is kept as it is, or the list would not go on.
    if (looking.keptText(page.next) !== page.next) {
      return await this.#fail(sweep, 'the cursor of the next page holds a secret of ours');
    }
    return await this.#keepPage(sweep, { document, list }, page);
  }

  async #keepPage(
    sweep: SweepRow,
    { document, list }: { readonly document: MappingDocument; readonly list: HeldList },
    page: Extract<HeldPage, { ok: true }>,
  ): Promise<Stepped> {
    const { database } = this.#parts;
    const { notes, holdings } = await this.#judge(sweep, document, page.items);
    const pages = sweep.pages + 1;
    const isLast = page.next === '' || list.next === null;
    const pagesMax = sweep.cause === 'recovery' ? RECOVERY_PAGES_MAX : PAGES_MAX;
    if (!isLast && pages >= pagesMax) {
      return await this.#fail(sweep, `more than ${pagesMax} pages; sweep a shorter period`);
    }
    const change = {
      state: isLast ? ('comparing' as const) : ('listing' as const),
      cursor: isLast ? '' : page.next,
      pages,
      items: sweep.items + page.items.length,
      failures: 0,
      detail: null,
    };
    const isOurs = await database.transact(async (trx) => {
      if (!(await changeSweep(trx, sweep, change))) return false;
      await noteItems(trx, notes);
      await keepHoldings(trx, holdings, (row) => contentOf(row, document.messages));
      return true;
    });
    return { sweep: isOurs ? { ...sweep, ...change } : null, waitUntil: null };
  }

  /** Compares a page's messages with what was sent under their references. */
  async #judge(sweep: SweepRow, document: MappingDocument, items: readonly HeldItem[]) {
    const { database, site, looking } = this.#parts;
    const references = items.flatMap(({ reference }) => (reference === null ? [] : [reference]));
    const of = { site: site.site, destination: sweep.destination };
    const deliveries = await deliveriesByReference(database.db, of, [...new Set(references)]);
    const byId = new Map(deliveries.map((row) => [row.id, row]));
    const notes: SweepItemRow[] = [];
    const holdings: DestinationHoldingRow[] = [];
    for (const item of items) {
      const delivery = item.reference === null ? undefined : byId.get(item.reference);
      if (delivery === undefined) {
        holdings.push(holdingOf(sweep, item, looking, document));
        continue;
      }
      const answer = await looking.compare(delivery, item.tree);
      const number = item.number === null ? null : looking.keptText(item.number);
      const verdict = judgeHeld(
        delivery,
        answer,
        await bearingOn(database.db, delivery, answer),
        await isReplacedThere(database.db, delivery, number),
      );
      const text = (words: string) => looking.keptText(words);
      notes.push(noteOf(sweep, delivery, verdict, { number, count: 1, text }));
    }
    return { notes, holdings };
  }

  async #retry(sweep: SweepRow, detail: string): Promise<Stepped> {
    const { database, clock } = this.#parts;
    const at = afterFailure(sweep.failures + 1, sweep.cause, clock.now());
    if (at === null) return await this.#fail(sweep, detail);
    const change = { failures: sweep.failures + 1, detail, due_at: at };
    const isOurs = await database.transact((trx) => changeSweep(trx, sweep, change));
    return { sweep: isOurs ? { ...sweep, ...change } : null, waitUntil: at };
  }

  async #fail(sweep: SweepRow, detail: string): Promise<Stepped> {
    const { database, clock, site } = this.#parts;
    await database.transact(async (trx) => {
      const now = clock.now();
      const change = { state: 'failed' as const, detail, finished_at: now };
      if (!(await changeSweep(trx, sweep, change))) return;
      await recordAudit(trx, {
        site: site.site,
        zone: site.timeZone,
        at: now,
        actor: SYSTEM,
        action: 'sweep.failed',
        subjectKind: 'sweep',
        subjectId: sweep.id,
        reason: detail,
        after: { destination: sweep.destination, pages: sweep.pages },
      });
    });
    return { sweep: null, waitUntil: null };
  }

  /** Puts the sweep down that the schedule asks for; returns when the next one is due. */
  async #schedule({ name, sweep }: Destination): Promise<Instant | null> {
    if (!sweep) return null;
    const { database, clock, site, since } = this.#parts;
    const now = clock.now();
    const lastAt = (await lastScheduledAt(database.db, site.site, name, now)) ?? since;
    const isDue = scheduledSweep(sweep, { lastAt, doneUntil: null }, now).dueAt <= now;
    const doneUntil = isDue ? await this.#doneUntil(name) : null;
    const { dueAt, period } = scheduledSweep(sweep, { lastAt, doneUntil }, now);
    if (dueAt > now) return dueAt;
    await this.request(name, period, 'schedule', SYSTEM);
    return addMs(now, sweep.everyMinutes * 60_000);
  }

  /** Until when everything was swept that sweeps by schedule should have. */
  async #doneUntil(destination: string): Promise<Instant | null> {
    const { database, site } = this.#parts;
    const beyond = await scheduledFrom(database.db, site.site, destination);
    if (beyond === null) return null;
    const of = { site: site.site, destination, beyond };
    return sweptUntil(beyond, await doneBeyond(database.db, of));
  }

  async #insert(
    trx: Trx,
    of: {
      readonly id: string;
      readonly destination: string;
      readonly period: SweepPeriod;
      readonly cause: SweepCause;
      readonly actor: Actor;
    },
  ): Promise<void> {
    const { clock, site } = this.#parts;
    const now = clock.now();
    const { from, to } = of.period;
    await insertSweep(trx, {
      id: of.id,
      site: site.site,
      destination: of.destination,
      cause: of.cause,
      from_at: from,
      to_at: to,
      listed_to: listedPeriod(of.period).to,
      state: 'listing',
      cursor: '',
      pages: 0,
      items: 0,
      counts: '{}',
      failures: 0,
      detail: null,
      worker: null,
      fence: 0,
      created_at: now,
      due_at: now,
      finished_at: null,
    });
    await recordAudit(trx, {
      site: site.site,
      zone: site.timeZone,
      at: now,
      actor: of.actor,
      action: 'sweep.requested',
      subjectKind: 'sweep',
      subjectId: of.id,
      after: {
        destination: of.destination,
        cause: of.cause,
        from: formatInstant(from),
        to: formatInstant(to),
      },
    });
  }
}

function pagePath(list: HeldList, sweep: SweepRow): string {
  const { from } = listedPeriod({ from: sweep.from_at, to: sweep.to_at });
  return fillListPath(list.request.path, {
    from: formatInstant(from),
    to: formatInstant(sweep.listed_to),
    limit: String(list.pageSize),
    cursor: sweep.cursor,
  });
}

/** A message as it is kept. A receipt that holds a secret is none of ours: the message then counts against all. */
function holdingOf(
  sweep: SweepRow,
  item: HeldItem,
  looking: SweepParts['looking'],
  document: MappingDocument,
): DestinationHoldingRow {
  const text = (said: string | null) => (said === null ? null : looking.keptText(said));
  return {
    site: sweep.site,
    destination: sweep.destination,
    identity: looking.keptText(item.identity),
    reference: text(item.reference),
    message: item.message,
    receipt_id: text(item.receiptId) === item.receiptId ? item.receiptId : null,
    subject: text(item.subject),
    revision: item.revision,
    held_at: item.at,
    may_permit: mayPermit(item.tree, item.message, document) ? 1 : 0,
    item: JSON.stringify(looking.kept(item.tree)),
    first_sweep: sweep.id,
    last_sweep: sweep.id,
    settled_at: null,
  };
}
