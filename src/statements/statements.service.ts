import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import { canonicalDigest } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import { deliveryPrefix } from '../receipts/evidence-subject.js';
import {
  applyNews,
  claimReceipt,
  holdReceipt,
  lockReceipts,
  shareSiteEvidence,
} from '../receipts/facts.store.js';
import { type EvidenceScope, scopeCovers } from '../reconciliation/discrepancies.js';
import type { StatementOutcome, StatementRecord } from '../records/statement-record.js';
import { type InstrumentPlace, instrumentPlaces } from '../site/instrument-service.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import { evaluateStatement, type StatementDraft, unknownReceipt } from './evaluate-statement.js';
import type { StatementFacts, StopFact } from './facts.js';
import { type LoadedFacts, loadFacts } from './facts.store.js';
import { knownService } from './instrument-service.store.js';
import { auditRevision, takeBackConforms, tellDestinations } from './revision-messages.service.js';
import {
  decideRevision,
  issuedStop,
  type RevisionDecision,
  statementFingerprint,
  type Untold,
} from './revision-policy.js';
import { isLifted, stopInForce } from './standing-conditions.js';
import { statementRecord } from './statement-document.js';
import { type ActiveMapping, statementMessages, toldLess } from './statement-messages.js';
import {
  type ConformingScope,
  conformingOfDoubtfulOrigin,
  conformingPastRetest,
  conformingReceipts,
  deliveriesFromStop,
  insertPull,
  insertStatement,
  insertStop,
  instrumentsOf,
  isStopIneffective,
  markDueUnlessConformed,
  receiptsDue,
  receiptsWithIneffectiveStop,
  setStopEffective,
  settleEvaluation,
  stopsNotEffective,
} from './statements.store.js';
import type { StopLiftCase } from './stop-lift.js';
import { toldLast } from './told-last.store.js';

export interface StatementsSettings {
  readonly site: SiteFolder;
  /** Active mappings by destination. */
  readonly mappings: ReadonlyMap<string, ActiveMapping>;
  /** Instance epoch, part of every delivery's idempotency key. */
  readonly epoch: number;
  /** Called when a question brought a new revision, whose messages wait in the outbox by then. */
  readonly onPulledNews?: () => void;
}

export interface Evaluation {
  readonly receiptId: string;
  readonly outcome: StatementOutcome;
  readonly revision: number;
  /** False when the latest revision already said the same. */
  readonly isNew: boolean;
  readonly stop: 'none' | 'suspend' | 'withdraw';
}

export interface StatementLook {
  readonly draft: StatementDraft;
  /** Of the latest stored statement; 0 before the first. */
  readonly revision: number;
}

interface Decided extends RevisionDecision {
  readonly loaded: LoadedFacts;
  readonly latest: StatementRecord | null;
  readonly newStop: { readonly stopId: string; readonly statementRevision: number };
  /** The stop in force after this evaluation. */
  readonly standing: StopFact | null;
}

const RECEIPT_ID_LOGGED_MAX = 200;
/** Transactions at once, far fewer than a process has connections. */
const EVALUATED_TOGETHER = 3;

/** Evaluates statements, stores their revisions, and puts the messages of each revision into the outbox. */
export class StatementsService {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly settings: StatementsSettings,
  ) {}

  /**
   * Evaluates one receipt in the transaction of the change, after `lockReceipts`. Stores a revision when
   * there is news, with its stop and its deliveries, takes back a *conforms* that is no longer true, and
   * clears the receipt's due mark. null when nobody announced the receipt.
   */
  async evaluateInTransaction(
    trx: Trx,
    receiptId: string,
    now: Instant,
  ): Promise<Evaluation | null> {
    const { site } = this.settings.site;
    await shareSiteEvidence(trx, site);
    const decided = await this.decide(trx, receiptId, now);
    await settleEvaluation(trx, site, receiptId, decided !== null && isWaiting(decided.draft));
    if (decided === null) return null;
    if (decided.isNew) await this.store(trx, receiptId, decided, now);
    return {
      receiptId,
      outcome: decided.draft.outcome,
      revision: revisionOf(decided),
      isNew: decided.isNew,
      stop: decided.stop.kind,
    };
  }

  /**
   * For a receipt that got passes with nothing to be said against them, in the transaction of the change: they
   * can make no statement worse but a *conforms* (their deliveries are still to come), so a receipt that never
   * had one is evaluated later, together with what else comes: then null.
   */
  async evaluateImproved(trx: Trx, receiptId: string, now: Instant): Promise<Evaluation | null> {
    const { site } = this.settings.site;
    if (await markDueUnlessConformed(trx, site, receiptId)) return null;
    return await this.evaluateInTransaction(trx, receiptId, now);
  }

  /**
   * Evaluates up to `limit` receipts that are due, and up to as many that passed their retest date while conforming or
   * whose stop is not effective; each in a transaction of its own, and none that another process has at the moment.
   * Returns what was evaluated.
   *
   * Rejects with the first failure once all have been tried: what the others committed stands, and no receipt waits
   * behind one that cannot be evaluated.
   */
  async evaluateDue(limit: number): Promise<Evaluation[]> {
    const { site } = this.settings.site;
    const { db } = this.database;
    const { isShared } = dialectOf(db);
    const now = this.clock.now();
    if (isShared) await applyNews(this.database, site);
    // Those of a stop that does not get through come again every round: last, and beside what is due, so that however
    // many they are nothing waits behind them.
    const whateverTheirMark = new Set(
      [
        ...(await conformingPastRetest(db, site, now)),
        ...(await conformingOfDoubtfulOrigin(db, site)),
        ...(await receiptsWithIneffectiveStop(db, site, limit)),
      ].slice(0, limit),
    );
    const ids = [...new Set([...(await receiptsDue(db, site, limit)), ...whateverTheirMark])];
    const evaluations: (Evaluation | null)[] = [];
    const failures: unknown[] = [];
    // Asked for together, they share commits on a file; a server has a connection for each of a few.
    const together = isShared ? EVALUATED_TOGETHER : limit;
    for (let i = 0; i < ids.length; i += together) {
      const some = ids.slice(i, i + together);
      const ends = await Promise.allSettled(
        some.map((id) =>
          this.database.transact(async (trx) =>
            (await claimReceipt(trx, { site, id }, !whateverTheirMark.has(id)))
              ? this.evaluateInTransaction(trx, id, this.clock.now())
              : null,
          ),
        ),
      );
      for (const end of ends) {
        if (end.status === 'rejected') failures.push(end.reason);
        else evaluations.push(end.value);
      }
    }
    if (failures.length > 0) throw failures[0];
    return evaluations.filter((evaluation) => evaluation !== null);
  }

  /**
   * The statement as of now, for whoever asks before acting (rule 18): evaluated against the last committed
   * event, stored first when it says something new, and logged as pulled. A receipt nobody announced is
   * answered as incomplete at revision 0, never as not found.
   */
  async fresh(receiptId: string, caller: string): Promise<StatementRecord> {
    const { statement, isNew } = await this.database.transact(async (trx) => {
      const now = this.clock.now();
      const { site } = this.settings.site;
      await holdReceipt(trx, site, receiptId);
      await shareSiteEvidence(trx, site);
      let decided = await this.decide(trx, receiptId, now);
      const isNews = decided?.isNew === true;
      if (isNews) {
        await lockReceipts(trx, site, [receiptId]);
        await this.evaluateInTransaction(trx, receiptId, now);
        decided = await this.decide(trx, receiptId, now);
      }
      const stated = decided
        ? this.record(decided, revisionOf(decided))
        : this.unknown(receiptId, now);
      await insertPull(trx, {
        site,
        receipt_id: receiptId.slice(0, RECEIPT_ID_LOGGED_MAX),
        revision: stated.revision,
        outcome: stated.outcome,
        caller,
        at: now,
      });
      return { statement: stated, isNew: isNews };
    });
    if (isNew) this.settings.onPulledNews?.();
    return statement;
  }

  /**
   * What a question would be answered now, for a page to show: nothing is stored, and it counts as no pull.
   * Where the answer would be a new revision, the latest stored one; null when there is none.
   */
  async shown(receiptId: string): Promise<StatementRecord | null> {
    const decided = await this.decide(this.database.db, receiptId, this.clock.now());
    if (decided === null) return null;
    return decided.isNew ? decided.latest : this.record(decided, revisionOf(decided));
  }

  /** The stops of a receipt and what could be said without them, for whoever is asked to lift them. */
  async lookAtStops(reader: Reader, receiptId: string): Promise<StopLiftCase | null> {
    const loaded = await loadFacts(reader, this.settings.site, this.settings.mappings, receiptId);
    if (loaded === null) return null;
    const { facts } = loaded;
    const without = { ...facts, stops: [], conformedAtReceiptRevision: null };
    return {
      receiptId,
      standing: stopInForce(facts.stops),
      open: facts.stops.filter((stop) => !isLifted(stop)),
      without: evaluateStatement(without, this.clock.now()),
      acting: this.settings.site.destinations.filter((d) => d.acts).map((d) => d.name),
    };
  }

  /** Destinations whose mapping in force knows statements. */
  toldTo(): string[] {
    const { site, mappings } = this.settings;
    return site.destinations
      .map((d) => d.name)
      .filter((name) => mappings.get(name)?.messages.includes('statement'));
  }

  /** The statement as it would be evaluated now, for whoever is asked to sign it; null when nobody announced it. */
  async look(reader: Reader, receiptId: string): Promise<StatementLook | null> {
    const decided = await this.decide(reader, receiptId, this.clock.now());
    return decided && { draft: decided.draft, revision: decided.latest?.revision ?? 0 };
  }

  /**
   * Conforming receipts that evidence of this scope could belong to. Unowned evidence makes them untrue, so
   * its transaction locks them, then the site's evidence, stores the evidence and evaluates each.
   */
  async conformingInScope(reader: Reader, scope: EvidenceScope): Promise<string[]> {
    const { site, instruments } = this.settings.site;
    const places = instrumentPlaces(instruments, await knownService(reader, site));
    const rows = await conformingReceipts(reader, site, queriedScope(scope, places));
    const measuredBy = await instrumentsOf(
      reader,
      site,
      rows.map((row) => row.id),
    );
    return rows
      .filter((row) => {
        const receipt = {
          // A changed receipt may have stood elsewhere, or have come in earlier, before: unknown here, and the
          // evaluation looks closer.
          areas: row.area === null || isMoved(row) ? [] : [row.area],
          material: row.material,
          receivedAt: isMoved(row) ? null : row.received_at,
          instruments: measuredBy.get(row.id) ?? [],
        };
        return scopeCovers(scope, receipt, places);
      })
      .map((row) => row.id);
  }

  /** True while a stop waits to be shown by every acting destination. */
  async hasOpenStops(): Promise<boolean> {
    return (await stopsNotEffective(this.database.db, this.settings.site.site)).length > 0;
  }

  /**
   * Marks stops effective that every acting destination's read-back confirmed, by their own delivery or by
   * that of a later stop; returns their receipts. A stop without a delivery never becomes effective.
   */
  async updateStopEffectiveness(trx: Trx, now: Instant): Promise<string[]> {
    const { site, timeZone, destinations } = this.settings.site;
    const acting = destinations.filter((d) => d.acts).map((d) => d.name);
    const receipts: string[] = [];
    for (const stop of await stopsNotEffective(trx, site)) {
      const deliveries = await deliveriesFromStop(trx, site, stop);
      const shown = acting.every((name) =>
        deliveries.some((d) => d.destination === name && d.state === 'confirmed'),
      );
      if (acting.length === 0 || !shown) continue;
      if (!(await setStopEffective(trx, stop.id, now))) continue;
      await recordAudit(trx, {
        site,
        zone: timeZone,
        at: now,
        actor: { kind: 'system', name: 'statements' },
        action: 'stop.effective',
        subjectKind: 'stop',
        subjectId: stop.id,
        reason: `shown by ${acting.join(' and ')}`,
        before: { effectiveAt: null },
        after: { effectiveAt: now },
      });
      receipts.push(stop.receipt_id);
    }
    return receipts;
  }

  private async decide(reader: Reader, receiptId: string, now: Instant): Promise<Decided | null> {
    const { site } = this.settings.site;
    const loaded = await loadFacts(reader, this.settings.site, this.settings.mappings, receiptId);
    if (loaded === null) return null;
    const { latest } = loaded;
    const lastStop = loaded.facts.stops.at(-1) ?? null;
    const newStop = {
      stopId: uuidv7(),
      statementRevision: Math.max(latest?.revision ?? 0, loaded.revisionFloor) + 1,
    };
    const decision = decideRevision({
      facts: loaded.facts,
      previous: latest && {
        revision: latest.revision,
        outcome: latest.outcome,
        // What lies below the floor, or on it, was outlived: the same is said again, above it.
        fingerprint: loaded.revisionFloor >= latest.revision ? '' : statementFingerprint(latest),
      },
      hasConformed: loaded.hasConformed,
      isIneffective:
        lastStop !== null &&
        !isLifted(lastStop) &&
        ((await isStopIneffective(reader, site, lastStop.stopId)) ||
          (await this.isShownNoMore(reader, receiptId, loaded.facts, lastStop))),
      untold: await this.untold(reader, receiptId, latest),
      newStop,
      now,
    });
    const issued: StopFact[] =
      decision.stop.kind === 'none' ? [] : [issuedStop(newStop, decision.stop, now)];
    return {
      ...decision,
      loaded,
      latest,
      newStop,
      standing: stopInForce([...loaded.facts.stops, ...issued]),
    };
  }

  /**
   * A destination that was out of the site folder while revisions were stored has none of their messages, be it a stop:
   * it is told by the next, which is made for it when it is back.
   */
  private async untold(
    reader: Reader,
    receiptId: string,
    latest: StatementRecord | null,
  ): Promise<Untold> {
    const { site, mappings } = this.settings;
    const told =
      latest === null
        ? []
        : toldLess(await toldLast(reader, site.site, receiptId), latest.revision);
    const behind = new Map(told.map((last) => [last.destination, last]));
    const destinations = site.destinations.filter(({ name }) => behind.has(name));
    return {
      holdsConforms: destinations.some(
        ({ name, acts }) => acts && behind.get(name)?.holdsConforms === true,
      ),
      wouldBeTold: (revision) => statementMessages(destinations, mappings, revision).length > 0,
    };
  }

  /** A sweep found that a destination that had shown this stop does not any more. */
  private async isShownNoMore(
    reader: Reader,
    receiptId: string,
    { discrepancies }: Pick<StatementFacts, 'discrepancies'>,
    { statementRevision }: StopFact,
  ): Promise<boolean> {
    const found = new Set(
      discrepancies.filter((d) => d.class === 'stop-not-effective').map((d) => d.subject),
    );
    if (found.size === 0) return false;
    const of = { receipt_id: receiptId, statement_revision: statementRevision };
    const told = await deliveriesFromStop(reader, this.settings.site.site, of);
    return told.some((d) => found.has(`${deliveryPrefix(d.destination)}${d.id}`));
  }

  private async store(trx: Trx, receiptId: string, decided: Decided, now: Instant): Promise<void> {
    const { site } = this.settings.site;
    const { draft, stop, newStop, loaded, latest } = decided;
    const revision = newStop.statementRevision;
    const document = this.record(decided, revision);
    await insertStatement(trx, {
      site,
      receipt_id: receiptId,
      revision,
      outcome: draft.outcome,
      document: JSON.stringify(document),
      digest: canonicalDigest(document),
      facts_version: loaded.factsVersion,
      evaluated_at: now,
    });
    if (stop.kind !== 'none') {
      await insertStop(trx, {
        id: newStop.stopId,
        site,
        receipt_id: receiptId,
        kind: stop.kind,
        statement_revision: revision,
        reason: stop.reason,
        issued_at: now,
        effective_at: null,
      });
    }
    const change = { receiptId, draft, stop, stopId: newStop.stopId, revision, latest, now };
    const takenBack = await takeBackConforms(trx, this.settings, change);
    await tellDestinations(trx, this.settings, change);
    await auditRevision(trx, this.settings, change, takenBack);
  }

  private record(decided: Decided, revision: number): StatementRecord {
    return statementRecord(decided.draft, {
      site: this.settings.site,
      revision,
      factsVersion: decided.loaded.factsVersion,
      stop: decided.standing,
    });
  }

  private unknown(receiptId: string, now: Instant): StatementRecord {
    const { site } = this.settings;
    const draft = unknownReceipt({ site }, now, receiptId);
    return statementRecord(draft, { site, revision: 0, factsVersion: 0, stop: null });
  }
}

/** It may have stood elsewhere, or have come in earlier, before. */
function isMoved(receipt: { readonly revision: number; readonly linked: 0 | 1 }): boolean {
  return receipt.revision > 1 || receipt.linked === 1;
}

/** The stored revision that says what was decided. */
function revisionOf(decided: Decided): number {
  return decided.isNew ? decided.newStop.statementRevision : (decided.latest?.revision ?? 0);
}

/** Covered and not complete: what it lacks comes from elsewhere, not with a result of its own. */
function isWaiting(draft: StatementDraft): boolean {
  return (
    draft.outcome === 'incomplete' &&
    draft.conditions.some((c) => c.code === 'coverage' && c.state === 'met')
  );
}

/** What a query may narrow by: an instrument that is not registered may be anywhere. */
function queriedScope(
  scope: EvidenceScope,
  places: ReadonlyMap<string, readonly InstrumentPlace[]>,
): ConformingScope {
  const serials = scope.instruments ?? null;
  const ofSerials = serials?.map((serial) => places.get(serial)) ?? null;
  const isAnywhere = ofSerials === null || ofSerials.includes(undefined);
  const known = isAnywhere
    ? null
    : [...new Set(ofSerials.flatMap((of = []) => of.map(({ area }) => area)))];
  return {
    materials: scope.materials ?? null,
    areas: known === null ? (scope.areas ?? null) : known,
    instruments: serials ?? [],
    to: scope.to ?? null,
  };
}
