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
  TO_DELIVER,
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

/** Results in one transaction. */
const RESULTS_MAX = 200;

/** Of what one transaction planned, named in its entry of the trail beside the count; each delivery is a row of its own. */
const NAMED_MAX = 50;

interface Asked {
  readonly receiptId: string;
  readonly actor: Actor;
  readonly reason: string;
  /** Row id of the last result that was looked at; '' for none. */
  readonly after: string;
}

interface Page {
  readonly answer: PlanAnswer;
  /** The next page begins behind it; null behind the last. */
  readonly next: string | null;
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
    const planned: PlannedDelivery[] = [];
    const withoutWithdrawal = new Set<string>();
    // A stop of the receipt waits for one page at most.
    for (let after = ''; ; ) {
      const asked: Asked = { receiptId, actor: by, reason, after };
      const page: Page = await transactLocking(database, site.site, (trx, locks) =>
        this.#plan(trx, locks, asked),
      );
      if (page.answer.kind === 'unknown') return page.answer;
      this.parts.onPlanned([...new Set(page.answer.planned.map((p) => p.destination))]);
      planned.push(...page.answer.planned);
      for (const name of page.answer.withoutWithdrawal) withoutWithdrawal.add(name);
      if (page.next === null) {
        return { ...page.answer, planned, withoutWithdrawal: [...withoutWithdrawal] };
      }
      after = page.next;
    }
  }

  async #plan(trx: Trx, locks: ReceiptLocks, asked: Asked): Promise<Page> {
    const { receiptId, actor, reason } = asked;
    const { clock, messages } = this.parts;
    const { site, timeZone: zone, destinations } = this.parts.site;
    if ((await findReceipts(trx, site, [receiptId])).get(receiptId)?.announced !== 1) {
      return { answer: { kind: 'unknown' }, next: null };
    }
    const places = await locks.addFound([receiptId], () => this.#placesOfUntold(trx, receiptId));
    // Behind the receipts, as everybody: what is sent to a destination is owed there, and a folder that drops it is not
    // activated before that is committed, and seen.
    await locks.shareEvidence();
    await requireFolderInForce(trx, this.parts.site);
    const required = destinations.filter((d) => d.requiredForStatement).map((d) => d.name);
    const taking = messages.destinations();
    const withoutMessage = required.filter((name) => !taking.includes(name));
    const now = clock.now();
    const untold = await this.#untoldOf(trx, receiptId);
    const planned: PlannedDelivery[] = [];
    const withoutWithdrawal = new Set<string>();
    const { results, next } = await this.#resultsOf(trx, asked, untold);
    const sent = await everSentTo(
      trx,
      site,
      results.map((r) => r.id),
    );
    for (const result of results) {
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
      const missing = missingOf(result, new Set(wanted), sent).filter((name) =>
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
        after: { count: planned.length, planned: planned.slice(0, NAMED_MAX) },
      });
      await markEvaluationDue(trx, site, [...places]);
      // The withdrawal is of the receipt that the result was of, and what it ends is named at the other.
      await markReceipts(trx, site, [...places]);
    }
    return {
      answer: {
        kind: 'done',
        planned,
        withoutMessage,
        withoutWithdrawal: [...withoutWithdrawal],
        byHand: this.#leftBehind(untold),
      },
      next,
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

  /** A page of its results by row id, and beside the first one those of other receipts that somebody was never told of. */
  async #resultsOf(
    trx: Trx,
    { receiptId, after }: Asked,
    untold: readonly UntoldWithdrawal[],
  ): Promise<{ readonly results: readonly ResultRow[]; readonly next: string | null }> {
    const of = { site: this.parts.site.site, receiptId, after, limit: RESULTS_MAX };
    const own = await resultsToDeliver(trx, of);
    const next = own.length < RESULTS_MAX ? null : (own.at(-1)?.id ?? null);
    const known = new Set(own.map((r) => r.id));
    const isElsewhere = ({ rowId, result }: UntoldWithdrawal) =>
      !known.has(rowId) && (result.receiptId !== receiptId || !TO_DELIVER.includes(result.state));
    const others = after === '' ? untold.filter(isElsewhere).map((u) => u.rowId) : [];
    if (others.length === 0) return { results: own, next };
    return { results: [...own, ...(await resultsByRowId(trx, [...new Set(others)]))], next };
  }
}

/** Those of these destinations that a result was never sent to as it is now; of one that was taken back, at all. */
function missingOf(
  { id, state, revision }: ResultRow,
  destinations: ReadonlySet<string>,
  sent: Awaited<ReturnType<typeof everSentTo>>,
): string[] {
  if (!TO_DELIVER.includes(state)) return [];
  const least = state === 'accepted' ? revision : 1;
  return [...destinations].filter((name) => (sent.get(id)?.get(name) ?? 0) < least);
}
