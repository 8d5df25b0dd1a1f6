import { recordAudit } from '../audit/audit.store.js';
import type { Difference, ReadBackAnswer } from '../delivery/read-back-answer.js';
import { addMs, formatInstant, type Instant } from '../formats/instant.js';
import { fillListPath } from '../mapping/request-path.js';
import { deliveryPrefix } from '../receipts/evidence-subject.js';
import type { HeldList } from '../site/mapping-document.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type {
  DeliveryRow,
  DestinationHoldingRow,
  DiscrepancyClass,
  DiscrepancyRow,
  SharedDifferenceRow,
  SweepItemRow,
  SweepRow,
} from '../storage/tables.js';
import { bearingOn } from './bearing.store.js';
import { confirmedInPlaceOf } from './builds.store.js';
import { readHeldPage } from './held-list.js';
import { isUnder } from './holding-content.js';
import {
  openOfSweeps,
  recognisedHolding,
  shownRevision,
  unsettledHoldings,
  vanishedHoldings,
} from './holdings.store.js';
import { type SharedField, sharedFields, sharedUnseen } from './shared-differences.store.js';
import { takeSpareToken } from './spare-token.service.js';
import {
  answeredBy,
  fieldPrefix,
  isAnsweredBy,
  isClosedByAsking,
} from './sweep-findings.service.js';
import { differencesOf, noteOf } from './sweep-notes.js';
import type { Stepped, SweepParts } from './sweep-parts.service.js';
import {
  afterFailure,
  differenceKey,
  EQUAL,
  type FieldDifference,
  type HeldVerdict,
  isStandingStop,
  isSystematic,
  judgeShown,
  listedPeriod,
} from './sweep-rules.js';
import {
  changeSweep,
  deliveriesByReference,
  fieldDifferences,
  forgetItems,
  type HeldPlace,
  holdSweep,
  notedItem,
  noteItems,
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
/** Questions of one sweep about deliveries behind shared differences; the next one asks on. */
const SHARED_ASKED_MAX = 1_000;

/**
 * The second half of a sweep: who should have been listed and was not is asked for by itself, then everything
 * that was noted becomes findings. Whatever this sweep finds is open before it closes anything: what stands behind an old
 * finding may be there under another name, and a receipt that is evaluated in between would conform. Repeated after a crash it
 * finds the same.
 */
export class SweepComparison {
  constructor(private readonly parts: Omit<SweepParts, 'since'>) {}

  async step(destination: Destination, sweep: SweepRow): Promise<Stepped> {
    const place = placeOf(sweep.cursor);
    if ('begun' in place) return await this.#begin(sweep);
    if ('ended' in place) return await this.#conclude(destination, sweep);
    if ('answered' in place) return await this.#answer(destination, sweep, place.answered);
    if ('shared' in place) return await this.#askShared(destination, sweep, place.shared);
    const rows = await unlistedDeliveries(this.parts.database.db, sweep, place.after, BATCH);
    let counts = JSON.parse(sweep.counts) as Record<string, number>;
    if (rows.length === 0) return await this.#save(sweep, { shared: '' }, counts, null);
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

  /** Opens what the list shows by itself. */
  async #begin(sweep: SweepRow): Promise<Stepped> {
    for await (const holding of this.#unsettled(sweep)) await this.#openHolding(holding);
    for await (const item of this.#suspects(sweep)) await this.#openCertain(sweep, item);
    const counts = JSON.parse(sweep.counts) as Record<string, number>;
    return await this.#save(sweep, { after: null }, counts, null);
  }

  /**
   * Asks for those whose open finding the list seems to answer: it shows a period, and a double or another content may
   * lie outside of it. Asks also for those that it did not show and should not: what no delivery accounts for, and what a
   * confirmed build took the place of. What cannot be asked stays open.
   */
  async #answer(destination: Destination, sweep: SweepRow, answered: string): Promise<Stepped> {
    const { database, clock, site, looking, findings } = this.parts;
    const counts = JSON.parse(sweep.counts) as Record<string, number>;
    const prefix = deliveryPrefix(sweep.destination);
    const open = (await openOfSweeps(database.db, { ...sweep, prefix }))
      .filter((found) => found.id > answered)
      .sort((a, b) => (a.id < b.id ? -1 : 1));
    let last = answered;
    for (const found of open) {
      const deliveryId = found.subject.slice(prefix.length);
      const [row] = await this.#deliveries(sweep, [deliveryId]);
      const expected = row === undefined ? null : await this.#toAsk(sweep, found.class, row);
      if (expected !== null && row !== undefined) {
        if (!(await takeSpareToken({ database, clock, site: site.site }, destination))) {
          const at = addMs(this.#now(), NO_TOKEN_WAIT_MS);
          return await this.#save(sweep, { answered: last }, counts, at);
        }
        const answer = await looking.ask(row);
        const isAnswered =
          expected.answer === 'absent'
            ? answer.kind === 'absent'
            : isAnsweredBy(found.class, answer, await this.#verdictOn(row, answer));
        if (isAnswered) {
          await findings.close(sweep, found, `${expected.shown}, and a read-back shows the same`);
        }
      }
      last = found.id;
    }
    return await this.#save(sweep, { ended: true }, counts, null);
  }

  /** What this sweep shows that a question has to confirm before it ends a finding; null where it shows nothing. */
  async #toAsk(
    sweep: SweepRow,
    kind: DiscrepancyClass,
    row: DeliveryRow,
  ): Promise<{ readonly shown: string; readonly answer: 'absent' | 'there' } | null> {
    const { db } = this.parts.database;
    const item = await notedItem(db, sweep.id, row.id);
    if (item !== undefined) {
      const shown = isClosedByAsking(kind) ? answeredBy(kind, item) : null;
      return shown === null ? null : { shown, answer: 'there' };
    }
    if (kind === 'unknown-at-source')
      return { shown: 'it is not listed any more', answer: 'absent' };
    const build = await confirmedInPlaceOf(db, row);
    if (build === null) return null;
    return { shown: `${build} was confirmed in its place, and it is not listed`, answer: 'absent' };
  }

  /**
   * Asks about deliveries behind differences that this sweep's list does not show to be shared any more, where the list did
   * not show the delivery itself: one equal record of another delivery says nothing of them. What they show counts like
   * what is listed, so that a destination that still shows most of them otherwise is asked no further.
   */
  async #askShared(destination: Destination, sweep: SweepRow, after: string): Promise<Stepped> {
    const { database, clock, site } = this.parts;
    let counts = JSON.parse(sweep.counts) as Record<string, number>;
    let last = after;
    const room = SHARED_ASKED_MAX - (counts['asked'] ?? 0);
    const fields = await this.#sharedNoMore(sweep);
    const limit = Math.max(0, Math.min(BATCH, room));
    const ids = await sharedUnseen(database.db, sweep, fields, after, limit);
    if (ids.length === 0) return await this.#openAll(sweep, counts);
    const rows = new Map((await this.#deliveries(sweep, ids)).map((row) => [row.id, row]));
    for (const id of ids) {
      const row = rows.get(id);
      if (row !== undefined && !(await this.#isOvertaken(row))) {
        if (!(await takeSpareToken({ database, clock, site: site.site }, destination))) {
          const at = addMs(this.#now(), NO_TOKEN_WAIT_MS);
          return await this.#save(sweep, { shared: last }, counts, at);
        }
        await this.#noteAsked(sweep, row, await this.parts.looking.ask(row));
        counts = { ...counts, asked: (counts['asked'] ?? 0) + 1 };
      } else if (row !== undefined) await this.#note(sweep, row, EQUAL, 1);
      last = id;
    }
    return await this.#save(sweep, { shared: last }, counts, null);
  }

  /** Differences behind which deliveries stand, and which what this sweep saw does not show to be shared. */
  async #sharedNoMore(sweep: SweepRow): Promise<SharedField[]> {
    const { database } = this.parts;
    const fields = await sharedFields(database.db, sweep);
    if (fields.length === 0) return [];
    const differences = await fieldDifferences(database.db, sweep.id);
    const systematic = new Set(differences.filter(isSystematic).map(differenceKey));
    return fields.filter((of) => !systematic.has(differenceKey(of)));
  }

  /** What cannot be asked about stays as it was. */
  async #noteAsked(sweep: SweepRow, row: DeliveryRow, answer: ReadBackAnswer): Promise<void> {
    if (answer.kind === 'unavailable') return;
    if (answer.kind === 'absent') {
      await this.#openAbsent(sweep, row);
      await this.parts.findings.unshare(sweep, row.id);
      return;
    }
    const count = answer.kind === 'several' ? answer.count : 1;
    await this.#note(sweep, row, await this.#verdictOn(row, answer), count);
  }

  async #note(
    sweep: SweepRow,
    row: DeliveryRow,
    verdict: HeldVerdict,
    count: number,
  ): Promise<void> {
    const { database, looking } = this.parts;
    const text = (words: string) => looking.keptText(words);
    const item = noteOf(sweep, row, verdict, { number: null, count, text });
    await database.transact(async (trx) => {
      if (await holdSweep(trx, sweep)) await noteItems(trx, [item]);
    });
  }

  async #verdictOn(row: DeliveryRow, answer: ReadBackAnswer): Promise<HeldVerdict> {
    return judgeShown(row, answer, await bearingOn(this.parts.database.db, row, answer));
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
    const { database, clock, site, looking } = this.parts;
    if (await this.#isOvertaken(row)) return { kind: 'overtaken' };
    if ((await this.#shownAsRecognised(sweep, row)) !== null) return { kind: 'recognised' };
    if (!(await takeSpareToken({ database, clock, site: site.site }, destination))) {
      return { kind: 'no-token' };
    }
    const answer = await looking.ask(row);
    if (answer.kind === 'unavailable') return answer;
    if (answer.kind === 'absent') {
      await this.#openAbsent(sweep, row);
      return { kind: 'absent' };
    }
    const shown = await this.#openShown(sweep, row, answer);
    // As if it had been listed: what is open about it may be answered by that.
    const count = answer.kind === 'several' ? answer.count : 1;
    if (await this.#isFound(sweep, row)) await this.#note(sweep, row, shown, count);
    return { kind: 'unlisted' };
  }

  async #openAbsent(sweep: SweepRow, row: DeliveryRow): Promise<void> {
    const { database, findings } = this.parts;
    const detail = `${row.subject_kind} ${row.subject_id} was ${row.state} at ${row.destination} and is neither listed nor found there`;
    const bearing = await bearingOn(database.db, row, { kind: 'absent' });
    await findings.open(sweep, row.id, {
      class: isStandingStop(row, bearing) ? 'stop-not-effective' : 'absent',
      detail,
    });
  }

  /**
   * What is shown of a delivery that the list left out and is not as it should be. A difference is noted like one that is
   * listed: many records may share it.
   */
  async #openShown(
    sweep: SweepRow,
    row: DeliveryRow,
    answer: ReadBackAnswer,
  ): Promise<HeldVerdict> {
    const { findings, looking } = this.parts;
    if (answer.kind === 'several') {
      const detail = `${answer.count} equal messages are held`;
      await findings.open(sweep, row.id, { class: 'duplicate-at-destination', detail });
    }
    const shown = await this.#verdictOn(row, answer);
    if (shown.verdict === 'differs') await this.#note(sweep, row, shown, 1);
    else if (shown.verdict !== 'equal') {
      const detail = looking.keptText(shown.detail ?? shown.verdict);
      await findings.open(sweep, row.id, { class: classOf(shown.verdict), detail });
    }
    return shown;
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
   *
   * @returns what that shows of it; null where it was recognised in nothing that was listed
   */
  async #shownAsRecognised(sweep: SweepRow, row: DeliveryRow): Promise<HeldVerdict | null> {
    const { database, looking } = this.parts;
    const holding = await recognisedHolding(database.db, sweep, row);
    if (holding === undefined) return null;
    const answer = await looking.compareContent(row, JSON.parse(holding.item) as unknown);
    if (answer === null || answer.kind === 'absent' || answer.kind === 'unavailable') return null;
    return await this.#openShown(sweep, row, answer);
  }

  /** True while something is open about a delivery. */
  async #isFound(sweep: SweepRow, row: DeliveryRow): Promise<boolean> {
    const prefix = `${deliveryPrefix(sweep.destination)}${row.id}`;
    return (await openOfSweeps(this.parts.database.db, { ...sweep, prefix })).length > 0;
  }

  /** Opens what depends on all that this sweep saw. */
  async #openAll(sweep: SweepRow, counts: Record<string, number>): Promise<Stepped> {
    const systematic = await this.#systematic(sweep);
    // Also after a crash between: what stands behind a difference is kept before it is open, and dropped before it ends.
    await this.#openFindings(sweep, new Set(systematic.map(differenceKey)));
    for (const difference of systematic) {
      await this.parts.findings.openSystematic(sweep, difference);
    }
    return await this.#save(sweep, { answered: '' }, counts, null);
  }

  /** Everything that this sweep found is open: closes what it answers. */
  async #conclude(destination: Destination, sweep: SweepRow): Promise<Stepped> {
    const interrupted = await this.#lookForVanished(destination, sweep);
    if (interrupted !== null) return interrupted;
    const systematic = await this.#systematic(sweep);
    await this.#closeFindings(sweep, new Set(systematic.map(differenceKey)));
    const unknown = await this.#settleHoldings(sweep);
    return await this.#end(sweep, { unknown, systematic: systematic.length });
  }

  async #systematic(sweep: SweepRow): Promise<FieldDifference[]> {
    return (await fieldDifferences(this.parts.database.db, sweep.id)).filter(isSystematic);
  }

  async #openFindings(sweep: SweepRow, systematic: ReadonlySet<string>): Promise<void> {
    let shared: SharedDifferenceRow[] = [];
    const keep = async () => {
      if (shared.length > 0) await this.parts.findings.share(sweep, shared);
      shared = [];
    };
    for await (const item of this.#suspects(sweep)) {
      const behind = sharedOf(sweep, item, systematic);
      if (behind !== null) shared.push(behind);
      await this.#openItem(sweep, item, systematic);
      if (shared.length >= BATCH) await keep();
    }
    await keep();
  }

  /** What was listed and is not as it should be. */
  async *#suspects(sweep: SweepRow): AsyncGenerator<SweepItemRow> {
    for (let after = ''; ; ) {
      const items = await suspectItems(this.parts.database.db, sweep.id, after, BATCH);
      yield* items;
      const last = items.at(-1);
      if (last === undefined) return;
      after = last.delivery_id;
    }
  }

  /** Opens what one message says whatever others say. */
  async #openCertain(sweep: SweepRow, item: SweepItemRow): Promise<void> {
    const { findings } = this.parts;
    const { delivery_id: id, verdict } = item;
    if (item.count > 1) {
      const detail = `${item.count} messages are listed under one reference`;
      await findings.open(sweep, id, { class: 'duplicate-at-destination', detail });
    }
    if (verdict === 'equal' || verdict === 'differs') return;
    await findings.open(sweep, id, { class: classOf(verdict), detail: item.detail ?? verdict });
  }

  async #openItem(
    sweep: SweepRow,
    item: SweepItemRow,
    systematic: ReadonlySet<string>,
  ): Promise<void> {
    const { findings } = this.parts;
    const { delivery_id: id, verdict } = item;
    await this.#openCertain(sweep, item);
    if (verdict === 'equal') return;
    if (verdict === 'differs') {
      const own = ownDifferences(item, systematic);
      if (own.length === 0) return;
      await findings.open(sweep, id, { class: 'differs', detail: wordsOf(own) });
    }
    await findings.unshare(sweep, id);
  }

  /** Closes what this sweep answers: of deliveries it listed, and fields that differ in many no more. */
  async #closeFindings(sweep: SweepRow, systematic: ReadonlySet<string>): Promise<void> {
    const { database, findings } = this.parts;
    const { destination } = sweep;
    const prefix = deliveryPrefix(destination);
    for (const open of await openOfSweeps(database.db, { ...sweep, prefix })) {
      const answer = await this.#answerWithoutAsking(
        sweep,
        open,
        open.subject.slice(prefix.length),
      );
      if (answer !== null) await findings.close(sweep, open, answer);
    }
    await findings.unshareEqual(sweep);
    const fields = fieldPrefix(destination);
    for (const open of await openOfSweeps(database.db, { ...sweep, prefix: fields })) {
      if (systematic.has(open.subject.slice(fields.length))) continue;
      await findings.closeSystematic(sweep, open);
    }
  }

  /** What answers an open finding about a delivery without a question; null where nothing does. */
  async #answerWithoutAsking(
    sweep: SweepRow,
    { class: kind }: DiscrepancyRow,
    deliveryId: string,
  ): Promise<string | null> {
    const item = await notedItem(this.parts.database.db, sweep.id, deliveryId);
    if (item !== undefined) return isClosedByAsking(kind) ? null : answeredBy(kind, item);
    const [row] = await this.#deliveries(sweep, [deliveryId]);
    if (row === undefined) return null;
    const isOver = kind === 'absent' || kind === 'stop-not-effective';
    if (isOver && (await this.#isOvertaken(row))) return 'a later revision of ours was shown there';
    const recognised = await this.#shownAsRecognised(sweep, row);
    if (recognised === null) return null;
    // One message of a list shows no double to be gone.
    const isEnded = kind === 'absent' || (kind === 'differs' && recognised.verdict === 'equal');
    return isEnded ? 'it is listed as it was recognised' : null;
  }

  /** Messages of this sweep that nothing accounts for. */
  async *#unsettled(sweep: SweepRow): AsyncGenerator<DestinationHoldingRow> {
    const of = { site: sweep.site, destination: sweep.destination, sweepId: sweep.id };
    for (let after = ''; ; ) {
      const holdings = await unsettledHoldings(this.parts.database.db, of, after, BATCH);
      yield* holdings;
      const last = holdings.at(-1);
      if (last === undefined) return;
      after = last.identity;
    }
  }

  async #openHolding(holding: DestinationHoldingRow): Promise<void> {
    if (await this.#isOvertakenHolding(holding)) return;
    await this.parts.findings.openHolding(holding);
  }

  /** Settles messages that ours have overtaken; returns how many are left that nothing accounts for. */
  async #settleHoldings(sweep: SweepRow): Promise<number> {
    let unknown = 0;
    for await (const holding of this.#unsettled(sweep)) {
      if (await this.#isOvertakenHolding(holding)) {
        const evidence = 'a later revision of ours is in force';
        await this.parts.findings.settle(sweep, holding, evidence);
      } else unknown += 1;
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
  async #lookForVanished(destination: Destination, sweep: SweepRow): Promise<Stepped | null> {
    const { database, findings } = this.parts;
    const place: Place = { ended: true };
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
      if (looked.kind === 'listed') {
        await findings.keep(sweep, holding);
        await this.#openHolding({ ...holding, last_sweep: sweep.id });
      }
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
      if (page.items.some((item) => isUnder(identity, looking.keptText(item.identity)))) {
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

function classOf(verdict: Exclude<HeldVerdict['verdict'], 'equal'>): DiscrepancyClass {
  switch (verdict) {
    case 'unsent':
      return 'unknown-at-source';
    case 'not-effective':
      return 'stop-not-effective';
    case 'differs':
      return 'differs';
  }
}

/** In which it differs by itself, and not as many others do. */
function ownDifferences(item: SweepItemRow, systematic: ReadonlySet<string>): Difference[] {
  const { message } = item;
  return differencesOf(item).filter(
    ({ field }) => !systematic.has(differenceKey({ message, field })),
  );
}

/** A delivery that differs in nothing but what many others do; null for any other. */
function sharedOf(
  { site, destination }: SweepRow,
  item: SweepItemRow,
  systematic: ReadonlySet<string>,
): SharedDifferenceRow | null {
  const [first] = differencesOf(item);
  if (item.verdict !== 'differs' || first === undefined) return null;
  if (ownDifferences(item, systematic).length > 0) return null;
  const { delivery_id, message } = item;
  return { site, destination, delivery_id, message, field: first.field };
}

function wordsOf(differences: readonly Difference[]): string {
  return differences.map(({ detail }) => detail).join('; ');
}

/**
 * How far the comparison is: at its begin, among the deliveries that were not listed, among the deliveries behind a shared
 * difference, among the findings that may be answered, then at its end.
 */
type Place =
  | { readonly begun: false }
  | { readonly after: HeldPlace | null }
  | { readonly shared: string }
  | { readonly answered: string }
  | { readonly ended: true };

const UNLISTED = 'unlisted';
const ANSWERED = 'answered';
const SHARED = 'shared';
const ENDED = 'ended';

/** The place in the comparison as the sweep's row keeps it: a word, or instant and id. */
function cursorOf(place: Place): string {
  if ('begun' in place) return '';
  if ('ended' in place) return ENDED;
  if ('answered' in place) return `${ANSWERED} ${place.answered}`;
  if ('shared' in place) return `${SHARED} ${place.shared}`;
  return place.after === null ? UNLISTED : `${place.after.at} ${place.after.id}`;
}

function placeOf(cursor: string): Place {
  const [at = '', id] = cursor.split(' ');
  switch (at) {
    case '':
      return { begun: false };
    case UNLISTED:
      return { after: null };
    case ANSWERED:
      return { answered: id ?? '' };
    case SHARED:
      return { shared: id ?? '' };
    case ENDED:
      return { ended: true };
    default:
      return { after: id === undefined ? null : { at: Number(at) as Instant, id } };
  }
}
