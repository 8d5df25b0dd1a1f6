import { type Actor, recordAudit } from '../audit/audit.store.js';
import { requireFolderInForce } from '../methods/method-registry.store.js';
import { lockReceipts, markEvaluationDue } from '../receipts/facts.store.js';
import { findReceipts } from '../receipts/receipts.store.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { everSentTo, giveUpUnsent, resultsToDeliver } from './missing-deliveries.store.js';
import type { ResultMessages } from './result-messages.service.js';

export interface MissingDeliveriesParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly messages: ResultMessages;
  /** After the commit: these destinations have something due. */
  readonly onPlanned: (destinations: readonly string[]) => void;
}

/** A result that was never sent somewhere, and what was done about it. */
export interface PlannedDelivery {
  readonly resultId: string;
  readonly destination: string;
  /** `taken-back`: the result does not stand any more, so that nothing is sent and nothing is waited for. */
  readonly done: 'planned' | 'taken-back';
}

export type PlanAnswer =
  | { readonly kind: 'unknown' }
  | {
      readonly kind: 'done';
      readonly planned: readonly PlannedDelivery[];
      /** Required destinations whose mapping has no message for results. */
      readonly withoutMessage: readonly string[];
    };

/**
 * Has results of a receipt sent where the site requires them and they were never sent: a destination that was added to the
 * site folder, or became required, after they were accepted. A person says so for each receipt: a site may have years of
 * results that nobody there asks for.
 */
export class MissingDeliveries {
  constructor(private readonly parts: MissingDeliveriesParts) {}

  /** @throws SiteFolderOutdated when another site folder was activated than this process runs by */
  async plan(receiptId: string, by: Actor, reason: string): Promise<PlanAnswer> {
    const answer = await this.parts.database.transact((trx) =>
      this.#plan(trx, receiptId, by, reason),
    );
    if (answer.kind === 'done') {
      this.parts.onPlanned([...new Set(answer.planned.map((p) => p.destination))]);
    }
    return answer;
  }

  async #plan(trx: Trx, receiptId: string, actor: Actor, reason: string): Promise<PlanAnswer> {
    const { clock, messages } = this.parts;
    const { site, timeZone: zone, destinations } = this.parts.site;
    await requireFolderInForce(trx, this.parts.site);
    if ((await findReceipts(trx, site, [receiptId])).get(receiptId)?.announced !== 1) {
      return { kind: 'unknown' };
    }
    await lockReceipts(trx, site, [receiptId]);
    const required = destinations.filter((d) => d.requiredForStatement).map((d) => d.name);
    const taking = messages.destinations();
    const withoutMessage = required.filter((name) => !taking.includes(name));
    const now = clock.now();
    const planned: PlannedDelivery[] = [];
    for (const result of await resultsToDeliver(trx, site, receiptId)) {
      const sent = await everSentTo(trx, site, result.id);
      const missing = required.filter((name) => taking.includes(name) && !sent.has(name));
      if (missing.length === 0) continue;
      await messages.sendTo(trx, result, missing, now);
      const isTakenBack = result.state === 'superseded';
      const why = 'the result was taken back before it was ever sent there';
      if (isTakenBack) await giveUpUnsent(trx, { site, rowId: result.id, reason: why }, missing);
      const done = isTakenBack ? 'taken-back' : 'planned';
      const resultId = result.result_id;
      planned.push(...missing.map((destination) => ({ resultId, destination, done }) as const));
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
      await markEvaluationDue(trx, site, [receiptId]);
    }
    return { kind: 'done', planned, withoutMessage };
  }
}
