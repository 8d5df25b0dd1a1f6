import { type Actor, recordAudit } from '../audit/audit.store.js';
import { type UntoldWithdrawal, untoldOfReceipt } from '../delivery/untold-withdrawals.store.js';
import type { Instant } from '../formats/instant.js';
import { requireFolderInForce } from '../methods/method-registry.store.js';
import { markEvaluationDue } from '../receipts/facts.store.js';
import { receiptsGoingOn } from '../receipts/lineage.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { findReceipts } from '../receipts/receipts.store.js';
import { markReceipts } from '../reconciliation/comparison.store.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { ResultRow } from '../storage/tables.js';
import {
  everSentTo,
  giveUpUnsent,
  resultsByRowId,
  resultsToDeliver,
} from './missing-deliveries.store.js';
import type { ResultMessages } from './result-messages.service.js';

export interface MissingDeliveriesParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly messages: ResultMessages;
  /** After the commit: these destinations have something due. */
  readonly onPlanned: (destinations: readonly string[]) => void;
}

/** A result that was never sent somewhere as it is now, or never withdrawn there, and what was done about it. */
export type PlannedDelivery = {
  readonly resultId: string;
  readonly destination: string;
} & (
  | {
      /** `taken-back`: the result does not stand any more, so that nothing is sent and nothing is waited for. */
      readonly done: 'planned' | 'taken-back';
    }
  | { readonly done: 'withdrawn'; readonly revision: number }
);

export type PlanAnswer =
  | { readonly kind: 'unknown' }
  | {
      readonly kind: 'done';
      readonly planned: readonly PlannedDelivery[];
      /** Required destinations whose mapping has no message for results. */
      readonly withoutMessage: readonly string[];
      /**
       * Required destinations that have an older revision of an accepted result and whose mapping has no withdrawal: sent
       * what stands now, they would show the result at both places (release-safety rule 25).
       */
      readonly withoutWithdrawal: readonly string[];
      /**
       * What destinations hold of another place, and a later revision was sent behind: no withdrawal of it would be understood
       * there any more. Somebody has to take it out at the destination.
       */
      readonly byHand: readonly LeftBehind[];
    };

export interface LeftBehind {
  readonly resultId: string;
  readonly destination: string;
  readonly revision: number;
  readonly receiptId: string | null;
  /** The later one. */
  readonly overtakenBy: number;
}

interface Asked {
  readonly receiptId: string;
  readonly actor: Actor;
  readonly reason: string;
}

/**
 * Has results of a receipt sent where the site requires them and they were never sent: a destination that was added to the
 * site folder, or became required, after they were accepted. Where one was out of the folder while a result got another
 * place or was taken back, it is told so first (release-safety rule 25). A person says so for each receipt: a site may have
 * years of results that nobody there asks for.
 */
export class MissingDeliveries {
  constructor(private readonly parts: MissingDeliveriesParts) {}

  /** @throws SiteFolderOutdated when another site folder was activated than this process runs by */
  async plan(receiptId: string, by: Actor, reason: string): Promise<PlanAnswer> {
    const { database, site } = this.parts;
    const answer = await transactLocking(database, site.site, (trx, locks) =>
      this.#plan(trx, locks, { receiptId, actor: by, reason }),
    );
    if (answer.kind === 'done') {
      this.parts.onPlanned([...new Set(answer.planned.map((p) => p.destination))]);
    }
    return answer;
  }

  async #plan(trx: Trx, locks: ReceiptLocks, asked: Asked): Promise<PlanAnswer> {
    const { receiptId, actor, reason } = asked;
    const { clock, messages } = this.parts;
    const { site, timeZone: zone, destinations } = this.parts.site;
    await requireFolderInForce(trx, this.parts.site);
    if ((await findReceipts(trx, site, [receiptId])).get(receiptId)?.announced !== 1) {
      return { kind: 'unknown' };
    }
    const places = await locks.addFound([receiptId], () => this.#placesOfUntold(trx, receiptId));
    const required = destinations.filter((d) => d.requiredForStatement).map((d) => d.name);
    const taking = messages.destinations();
    const withoutMessage = required.filter((name) => !taking.includes(name));
    const now = clock.now();
    const untold = await this.#untoldOf(trx, receiptId);
    const planned: PlannedDelivery[] = [];
    const withoutWithdrawal = new Set<string>();
    for (const result of await this.#resultsOf(trx, receiptId, untold)) {
      const ofIt = untold.filter((u) => u.rowId === result.id);
      const told = await messages.withdrawUntold(trx, ofIt, reason, now);
      const { result_id: resultId } = result;
      for (const { destination, revision } of told) {
        planned.push({ resultId, destination, done: 'withdrawn', revision });
      }
      // One that is of another receipt now goes to those that were told; that receipt sees to the others.
      const wanted = [
        ...(result.receipt_id === receiptId ? required : []),
        ...told.map((t) => t.destination),
      ];
      const missing = (await this.#missing(trx, result, new Set(wanted))).filter((name) =>
        taking.includes(name),
      );
      const stuck = new Set(
        ofIt.filter((u) => !told.includes(u) && u.overtakenBy === null).map((u) => u.destination),
      );
      for (const name of missing) if (stuck.has(name)) withoutWithdrawal.add(name);
      const open = missing.filter((name) => !stuck.has(name));
      const done = await this.#send(trx, result, open, { reason, now });
      planned.push(...done);
    }
    if (planned.length > 0) {
      await recordAudit(trx, {
        site,
        zone,
        at: now,
        actor,
        action: 'receipt.deliveries-planned',
        subjectKind: 'receipt',
        subjectId: receiptId,
        reason,
        after: { planned },
      });
      await markEvaluationDue(trx, site, [...places]);
      // The withdrawal is of the receipt that the result was of, and what it ends is named at the other.
      await markReceipts(trx, site, [...places]);
    }
    return {
      kind: 'done',
      planned,
      withoutMessage,
      withoutWithdrawal: [...withoutWithdrawal],
      byHand: this.#leftBehind(untold),
    };
  }

  /** Those of which their destination can be told are asked about; the others count nowhere. */
  #leftBehind(untold: readonly UntoldWithdrawal[]): LeftBehind[] {
    const names = untold.map(({ destination }) => destination);
    const cannot = new Set(this.parts.messages.withoutWithdrawal(names));
    return untold.flatMap(({ destination, revision, receiptId, overtakenBy, result }) =>
      overtakenBy === null || cannot.has(destination)
        ? []
        : [{ resultId: result.resultId, destination, revision, receiptId, overtakenBy }],
    );
  }

  /** Those of these destinations that a result was never sent to as it is now; of one that was taken back, at all. */
  async #missing(
    trx: Trx,
    { id, state, revision }: ResultRow,
    destinations: ReadonlySet<string>,
  ): Promise<string[]> {
    if (state !== 'accepted' && state !== 'superseded') return [];
    const sent = await everSentTo(trx, this.parts.site.site, id);
    const least = state === 'accepted' ? revision : 1;
    return [...destinations].filter((name) => (sent.get(name) ?? 0) < least);
  }

  /** Sends what stands, and gives up what was taken back before it was ever sent. */
  async #send(
    trx: Trx,
    result: ResultRow,
    destinations: readonly string[],
    { reason, now }: { readonly reason: string; readonly now: Instant },
  ): Promise<PlannedDelivery[]> {
    if (destinations.length === 0) return [];
    const { site } = this.parts.site;
    await this.parts.messages.sendTo(trx, result, destinations, reason, now);
    const isTakenBack = result.state === 'superseded';
    const why = 'the result was taken back before it was ever sent there';
    const of = { site, rowId: result.id, reason: why };
    if (isTakenBack) await giveUpUnsent(trx, of, destinations);
    const done = isTakenBack ? 'taken-back' : 'planned';
    return destinations.map((destination) => ({ resultId: result.result_id, destination, done }));
  }

  /** What destinations of the folder were never told, of the results of a receipt and of those that were taken from it. */
  async #untoldOf(trx: Trx, receiptId: string): Promise<UntoldWithdrawal[]> {
    const { site, destinations } = this.parts.site;
    const named = new Set(destinations.map((d) => d.name));
    const untold = await untoldOfReceipt(trx, site, receiptId);
    return untold.filter(({ destination }) => named.has(destination));
  }

  /** Every receipt that what is told bears on: what went on from the one that a result was of waits for it too. */
  async #placesOfUntold(trx: Trx, receiptId: string): Promise<string[]> {
    const untold = await this.#untoldOf(trx, receiptId);
    const places = new Set(
      untold.flatMap((u) => [u.receiptId, u.result.receiptId]).filter((id) => id !== null),
    );
    for (const id of new Set(untold.map((u) => u.receiptId))) {
      if (id === null) continue;
      for (const part of await receiptsGoingOn(trx, this.parts.site.site, id)) places.add(part);
    }
    return [...places];
  }

  async #resultsOf(
    trx: Trx,
    receiptId: string,
    untold: readonly UntoldWithdrawal[],
  ): Promise<ResultRow[]> {
    const own = await resultsToDeliver(trx, this.parts.site.site, receiptId);
    const known = new Set(own.map((r) => r.id));
    const others = untold.map((u) => u.rowId).filter((id) => !known.has(id));
    return others.length === 0 ? own : [...own, ...(await resultsByRowId(trx, others))];
  }
}
