import { recordAudit } from '../audit/audit.store.js';
import type { ReadBackAnswer } from '../delivery/read-back-answer.js';
import { addMs, formatInstant, type Instant } from '../formats/instant.js';
import { fillListPath } from '../mapping/request-path.js';
import type { HeldList } from '../site/mapping-document.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { DeliveryRow, DestinationHoldingRow, SweepRow } from '../storage/tables.js';
import { readHeldPage } from './held-list.js';
import {
  openOfSweeps,
  recognisedHolding,
  shownRevision,
  unsettledHoldings,
  vanishedHoldings,
} from './holdings.store.js';
import { takeSpareToken } from './spare-token.service.js';
import {
  answeredBy,
  deliveryPrefix,
  fieldPrefix,
  isAnsweredBy,
  isClosedByAsking,
} from './sweep-findings.service.js';
import type { Stepped, SweepParts } from './sweep-parts.service.js';
import { afterFailure, isSystematic, listedPeriod } from './sweep-rules.js';
import {
  changeSweep,
  deliveriesByReference,
  equalByMessage,
  fieldDifferences,
  forgetItems,
  type HeldPlace,
  notedItem,
  type SuspectItem,
  suspectItems,
  unlistedDeliveries,
  verdictCounts,
} from './sweeps.store.js';

/** Deliveries looked at in one step, and rows read at once. */
const BATCH = 50;
const NO_TOKEN_WAIT_MS = 200;
/** A destination may compare times in whole seconds. */
const MOMENT_MS = 1_000;
const MOMENT_PAGES_MAX = 20;

/**
 * The second half of a sweep: who should have been listed and was not is asked for by itself, then everything
 * that was noted becomes findings, opened and closed. Repeated after a crash it finds the same.
 */
export class SweepComparison {
  constructor(private readonly parts: Omit<SweepParts, 'since'>) {}

  async step(destination: Destination, sweep: SweepRow): Promise<Stepped> {
    const place = placeOf(sweep.cursor);
    if ('answered' in place) return await this.#answer(destination, sweep, place.answered);
    const rows = await unlistedDeliveries(this.parts.database.db, sweep, place.after, BATCH);
    let counts = JSON.parse(sweep.counts) as Record<string, number>;
    if (rows.length === 0) return await this.#save(sweep, { answered: '' }, counts, null);
    let { after } = place;
    for (const row of rows) {
      const looked = await this.#look(destination, sweep, row);
      if (looked.kind === 'no-token') {
        return await this.#save(sweep, { after }, counts, addMs(this.#now(), NO_TOKEN_WAIT_MS));
      }
      if (looked.kind === 'unavailable')
        return await this.#unavailable(sweep, { after }, counts, looked.detail);
      counts = { ...counts, [looked.kind]: (counts[looked.kind] ?? 0) + 1 };
      after = { at: row.held_at, id: row.id };
    }
    return await this.#save(sweep, { after }, counts, null);
  }

  /**
   * Asks for those whose open finding the list seems to answer: it shows a period, and a double or another content may
   * lie outside of it. What cannot be asked stays open.
   */
  async #answer(destination: Destination, sweep: SweepRow, answered: string): Promise<Stepped> {
    const { database, clock, site, looking, findings } = this.parts;
    const counts = JSON.parse(sweep.counts) as Record<string, number>;
    const prefix = deliveryPrefix(sweep.destination);
    const open = (await openOfSweeps(database.db, { ...sweep, prefix }))
      .filter((found) => isClosedByAsking(found.class) && found.id > answered)
      .sort((a, b) => (a.id < b.id ? -1 : 1));
    let last = answered;
    for (const found of open) {
      const deliveryId = found.subject.slice(prefix.length);
      const item = await notedItem(database.db, sweep.id, deliveryId);
      const listed = item === undefined ? null : answeredBy(found.class, item);
      const [row] = listed === null ? [] : await this.#deliveries(sweep, [deliveryId]);
      if (listed !== null && row !== undefined) {
        if (!(await takeSpareToken({ database, clock, site: site.site }, destination))) {
          const at = addMs(this.#now(), NO_TOKEN_WAIT_MS);
          return await this.#save(sweep, { answered: last }, counts, at);
        }
        const answer = await looking.ask(row);
        if (isAnsweredBy(found.class, answer)) {
          await findings.close(sweep, found, `${listed}, and a read-back shows the same`);
        }
      }
      last = found.id;
    }
    return await this.#finish(destination, sweep, { answered: last });
  }

  #deliveries(sweep: SweepRow, ids: readonly string[]): Promise<DeliveryRow[]> {
    const { site, destination } = sweep;
    return deliveriesByReference(this.parts.database.db, { site, destination }, ids);
  }

  /** Asks for one that the list did not show: only when it is absent there too does its absence count. */
  async #look(
    destination: Destination,
    sweep: SweepRow,
    row: DeliveryRow,
  ): Promise<
    | { readonly kind: 'no-token' | 'absent' | 'unlisted' | 'overtaken' | 'recognised' }
    | { readonly kind: 'unavailable'; readonly detail: string }
  > {
    const { database, clock, site, looking, findings } = this.parts;
    if (await this.#isOvertaken(row)) return { kind: 'overtaken' };
    if (await this.#isListedAsRecognised(sweep, row)) return { kind: 'recognised' };
    if (!(await takeSpareToken({ database, clock, site: site.site }, destination))) {
      return { kind: 'no-token' };
    }
    const answer = await looking.ask(row);
    if (answer.kind === 'unavailable') return answer;
    const delivery = { id: row.id, receiptId: row.receipt_id };
    if (answer.kind === 'absent') {
      const detail = `${row.subject_kind} ${row.subject_id} was ${row.state} at ${destination.name} and is neither listed nor found there`;
      await findings.open(sweep, delivery, { class: 'absent', detail });
      return { kind: 'absent' };
    }
    if (answer.kind === 'several') {
      const detail = `${answer.count} equal messages are held`;
      await findings.open(sweep, delivery, { class: 'duplicate-at-destination', detail });
    }
    if (answer.kind === 'differs') {
      await findings.open(sweep, delivery, { class: 'differs', detail: answer.detail });
    }
    await this.#closeShown(sweep, row.id, answer);
    return { kind: 'unlisted' };
  }

  /** A destination may forget a statement once a later revision is in force there. */
  async #isOvertaken(row: DeliveryRow): Promise<boolean> {
    if (row.subject_kind !== 'statement' && row.subject_kind !== 'stop') return false;
    if (row.receipt_id === null) return false;
    const { site, destination, receipt_id: receiptId } = row;
    const shown = await shownRevision(this.parts.database.db, { site, destination, receiptId });
    return shown > row.subject_revision;
  }

  /**
   * After a restore a delivery may have been recognised in a message that the lost life had sent: it stands there under
   * that life's reference for good, which is what this sweep listed, and nothing ever will under its own.
   */
  async #isListedAsRecognised(sweep: SweepRow, row: DeliveryRow): Promise<boolean> {
    const { database, looking, findings } = this.parts;
    const holding = await recognisedHolding(database.db, sweep, row);
    if (holding === undefined) return false;
    const answer = await looking.compareContent(row, JSON.parse(holding.item) as unknown);
    if (answer?.kind !== 'one' && answer?.kind !== 'differs') return false;
    await this.#closeShown(sweep, row.id, null);
    if (answer.kind === 'differs') {
      const delivery = { id: row.id, receiptId: row.receipt_id };
      await findings.open(sweep, delivery, { class: 'differs', detail: answer.detail });
    }
    return true;
  }

  /** Closes that a delivery is absent, and what else the answer to a question about it ends. */
  async #closeShown(
    sweep: SweepRow,
    deliveryId: string,
    answer: ReadBackAnswer | null,
  ): Promise<void> {
    const { database, findings } = this.parts;
    const subject = `${deliveryPrefix(sweep.destination)}${deliveryId}`;
    for (const open of await openOfSweeps(database.db, { ...sweep, prefix: subject })) {
      if (open.class === 'absent' || (answer !== null && isAnsweredBy(open.class, answer))) {
        await findings.close(sweep, open, 'a read-back shows it');
      }
    }
  }

  async #finish(destination: Destination, sweep: SweepRow, place: Place): Promise<Stepped> {
    const { database } = this.parts;
    const interrupted = await this.#lookForVanished(destination, sweep, place);
    if (interrupted !== null) return interrupted;
    const differences = await fieldDifferences(database.db, sweep.id);
    const systematic = differences.filter(isSystematic);
    await this.#openFindings(sweep, new Set(systematic.map(keyOf)));
    for (const difference of systematic) {
      await this.parts.findings.openSystematic(sweep, difference);
    }
    await this.#closeFindings(sweep, new Set(systematic.map(keyOf)));
    const unknown = await this.#holdings(sweep);
    return await this.#end(sweep, { unknown, systematic: systematic.length });
  }

  async #openFindings(sweep: SweepRow, systematic: ReadonlySet<string>): Promise<void> {
    const { database } = this.parts;
    for (let after = ''; ; ) {
      const items = await suspectItems(database.db, sweep.id, after, BATCH);
      for (const item of items) await this.#openItem(sweep, item, systematic);
      const last = items.at(-1);
      if (last === undefined) return;
      after = last.delivery_id;
    }
  }

  async #openItem(
    sweep: SweepRow,
    item: SuspectItem,
    systematic: ReadonlySet<string>,
  ): Promise<void> {
    const { findings } = this.parts;
    const delivery = { id: item.delivery_id, receiptId: item.receipt_id };
    if (item.count > 1) {
      const detail = `${item.count} messages are listed under one reference`;
      await findings.open(sweep, delivery, { class: 'duplicate-at-destination', detail });
    }
    if (item.verdict === 'equal') return;
    if (item.verdict === 'differs' && systematic.has(keyOf(item))) return;
    await findings.open(sweep, delivery, {
      class: item.verdict === 'unsent' ? 'unknown-at-source' : 'differs',
      detail: item.detail ?? item.verdict,
    });
  }

  /** Closes what this sweep answers: of deliveries it listed, and fields that differ in many no more. */
  async #closeFindings(sweep: SweepRow, systematic: ReadonlySet<string>): Promise<void> {
    const { database, findings } = this.parts;
    const { destination } = sweep;
    const prefix = deliveryPrefix(destination);
    for (const open of await openOfSweeps(database.db, { ...sweep, prefix })) {
      const item = await notedItem(database.db, sweep.id, open.subject.slice(prefix.length));
      if (item === undefined || isClosedByAsking(open.class)) continue;
      const answer = answeredBy(open.class, item);
      if (answer !== null) await findings.close(sweep, open, answer);
    }
    const fields = fieldPrefix(destination);
    const openFields = await openOfSweeps(database.db, { ...sweep, prefix: fields });
    const equal = openFields.length === 0 ? null : await equalByMessage(database.db, sweep.id);
    for (const open of openFields) {
      const key = open.subject.slice(fields.length);
      const message = key.slice(0, key.indexOf(':'));
      // What compared nothing of the kind shows nothing of it.
      const shown = equal?.get(message) ?? 0;
      if (shown === 0 || systematic.has(key)) continue;
      await findings.closeSystematic(sweep, open, `${shown} ${message} messages are equal`);
    }
  }

  /** Messages that nothing accounts for; returns how many there are. */
  async #holdings(sweep: SweepRow): Promise<number> {
    const { database, findings } = this.parts;
    const of = { site: sweep.site, destination: sweep.destination, sweepId: sweep.id };
    let unknown = 0;
    for (let after = ''; ; ) {
      const holdings = await unsettledHoldings(database.db, of, after, BATCH);
      for (const holding of holdings) {
        if (await this.#isOvertakenHolding(holding)) {
          await findings.settle(sweep, holding, 'a later revision of ours is in force');
          continue;
        }
        unknown += 1;
        await findings.openHolding(holding);
      }
      const last = holdings.at(-1);
      if (last === undefined) break;
      after = last.identity;
    }
    return unknown;
  }

  /**
   * Looks for each message that is not in the list any more at the moment at which it arrived: a list that shifts while
   * it is read skips one, and a stop of a lost life that was forgotten by that would hold nothing any more. What cannot be
   * looked for stays.
   *
   * @returns when to go on, where not all could be looked for yet; what was found by then is kept
   */
  async #lookForVanished(
    destination: Destination,
    sweep: SweepRow,
    place: Place,
  ): Promise<Stepped | null> {
    const { database, findings } = this.parts;
    const counts = JSON.parse(sweep.counts) as Record<string, number>;
    const of = { site: sweep.site, destination: sweep.destination, sweepId: sweep.id };
    const { from } = listedPeriod({ from: sweep.from_at, to: sweep.to_at });
    const period = { from, to: sweep.listed_to };
    for (const holding of await vanishedHoldings(database.db, { ...of, ...period })) {
      const looked = await this.#lookAtMoment(destination, holding);
      if (looked.kind === 'no-token') {
        return await this.#save(sweep, place, counts, addMs(this.#now(), NO_TOKEN_WAIT_MS));
      }
      if (looked.kind === 'unavailable') {
        return await this.#unavailable(sweep, place, counts, looked.detail);
      }
      if (looked.kind === 'listed') await findings.keep(sweep, holding);
      if (looked.kind === 'gone') await findings.forget(sweep, holding);
    }
    return null;
  }

  async #lookAtMoment(
    destination: Destination,
    { held_at: at, identity }: DestinationHoldingRow,
  ): Promise<
    | { readonly kind: 'no-token' | 'listed' | 'gone' | 'unknown' }
    | { readonly kind: 'unavailable'; readonly detail: string }
  > {
    const { database, clock, site, looking, documents } = this.parts;
    const { list, format } = documents.get(destination.name) ?? { list: null, format: 'json' };
    if (list === null || at === null) return { kind: 'unknown' };
    let cursor = '';
    for (let pages = 0; pages < MOMENT_PAGES_MAX; pages += 1) {
      if (!(await takeSpareToken({ database, clock, site: site.site }, destination))) {
        // Begun anew for want of a token, it might never end.
        return { kind: pages === 0 ? 'no-token' : 'unknown' };
      }
      const result = await looking.document(destination, momentPath(list, at, cursor));
      const page = readHeldPage(result, list, format, cursor);
      if (!page.ok) return { kind: 'unavailable', detail: looking.keptText(page.detail) };
      if (page.items.some((item) => looking.keptText(item.identity) === identity)) {
        return { kind: 'listed' };
      }
      if (page.next === '') return { kind: 'gone' };
      cursor = page.next;
    }
    return { kind: 'unknown' };
  }

  /** A statement of another life, once ours lies above it. A stop never: it stands for as long as it is listed. */
  async #isOvertakenHolding(holding: DestinationHoldingRow): Promise<boolean> {
    const { message, receipt_id: receiptId, revision, site, destination } = holding;
    if (message !== 'statement' || receiptId === null || revision === null) return false;
    const of = { site, destination, receiptId };
    return (await shownRevision(this.parts.database.db, of)) > revision;
  }

  async #end(sweep: SweepRow, found: Record<string, number>): Promise<Stepped> {
    const { database, site } = this.parts;
    const listed = await verdictCounts(database.db, sweep.id);
    const counts = { ...(JSON.parse(sweep.counts) as object), ...listed, ...found };
    await database.transact(async (trx) => {
      const now = this.#now();
      const change = {
        state: 'done' as const,
        counts: JSON.stringify(counts),
        finished_at: now,
        worker: null,
      };
      if (!(await changeSweep(trx, sweep, change))) return;
      await forgetItems(trx, sweep.id);
      await recordAudit(trx, {
        site: sweep.site,
        zone: site.timeZone,
        at: now,
        actor: { kind: 'system', name: 'sweep' },
        action: 'sweep.finished',
        subjectKind: 'sweep',
        subjectId: sweep.id,
        after: { destination: sweep.destination, items: sweep.items, ...counts },
      });
    });
    return { sweep: null, waitUntil: this.#now() };
  }

  async #save(
    sweep: SweepRow,
    place: Place,
    counts: Record<string, number>,
    waitUntil: Instant | null,
  ): Promise<Stepped> {
    const change = { cursor: cursorOf(place), counts: JSON.stringify(counts), failures: 0 };
    const isOurs = await this.parts.database.transact((trx) => changeSweep(trx, sweep, change));
    return { sweep: isOurs ? { ...sweep, ...change } : null, waitUntil };
  }

  async #unavailable(
    sweep: SweepRow,
    place: Place,
    counts: Record<string, number>,
    detail: string,
  ): Promise<Stepped> {
    const failures = sweep.failures + 1;
    const at = afterFailure(failures, sweep.cause, this.#now());
    const change = {
      cursor: cursorOf(place),
      counts: JSON.stringify(counts),
      failures,
      detail,
      ...(at === null ? { state: 'failed' as const, finished_at: this.#now() } : { due_at: at }),
    };
    const isOurs = await this.parts.database.transact(async (trx) => {
      if (!(await changeSweep(trx, sweep, change))) return false;
      if (at === null) await this.#auditFailed(trx, sweep, detail);
      return true;
    });
    return { sweep: isOurs && at !== null ? { ...sweep, ...change } : null, waitUntil: at };
  }

  async #auditFailed(trx: Trx, sweep: SweepRow, reason: string): Promise<void> {
    await recordAudit(trx, {
      site: sweep.site,
      zone: this.parts.site.timeZone,
      at: this.#now(),
      actor: { kind: 'system', name: 'sweep' },
      action: 'sweep.failed',
      subjectKind: 'sweep',
      subjectId: sweep.id,
      reason,
      after: { destination: sweep.destination, pages: sweep.pages },
    });
  }

  #now(): Instant {
    return this.parts.clock.now();
  }
}

/** One page of what arrived at about that moment. */
function momentPath(list: HeldList, at: Instant, cursor: string): string {
  return fillListPath(list.request.path, {
    from: formatInstant(Math.max(0, addMs(at, -MOMENT_MS)) as Instant),
    to: formatInstant(addMs(at, MOMENT_MS)),
    limit: String(list.pageSize),
    cursor,
  });
}

function keyOf(of: { readonly message: string; readonly field: string | null }): string {
  return `${of.message}:${of.field ?? ''}`;
}

/** How far the comparison is: among the deliveries that were not listed, then among the findings that may be answered. */
type Place = { readonly after: HeldPlace | null } | { readonly answered: string };

const ANSWERED = 'answered';

/** The place in the comparison as the sweep's row keeps it: instant and id. */
function cursorOf(place: Place): string {
  if ('answered' in place) return `${ANSWERED} ${place.answered}`;
  return place.after === null ? '' : `${place.after.at} ${place.after.id}`;
}

function placeOf(cursor: string): Place {
  const [at, id] = cursor.split(' ');
  if (at === ANSWERED) return { answered: id ?? '' };
  const isPlace = at !== undefined && id !== undefined;
  return { after: isPlace ? { at: Number(at) as Instant, id } : null };
}
