import { recordAudits } from '../audit/audit.store.js';
import type { ReadBackAnswer } from '../delivery/read-back-answer.js';
import { supersedeOutlived } from '../delivery/recovery-doubt.store.js';
import type { Instant } from '../formats/instant.js';
import { lockReceipts, lockReceiptsMarking, tellWaitingReceipts } from '../receipts/facts.store.js';
import { takeOverHeld } from '../receipts/held-elsewhere.store.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import type {
  DestinationHoldingRow,
  DiscrepancyClass,
  DiscrepancyRow,
  SharedDifferenceRow,
  SweepItemRow,
  SweepRow,
} from '../storage/tables.js';
import { setDifference } from './destination-watch.store.js';
import type { NewDiscrepancy } from './discrepancies.js';
import { closeByEvidence, openDiscrepancy, openEventDiscrepancy } from './discrepancies.store.js';
import {
  forgetHolding,
  isUnsettled,
  noteListed,
  openOfSweeps,
  settleHolding,
} from './holdings.store.js';
import { dropEqual, dropShared, keepShared, sharedFields } from './shared-differences.store.js';
import { differenceKey, type FieldDifference, type HeldVerdict } from './sweep-rules.js';
import { holdSweep } from './sweeps.store.js';

/** What a finding does beyond its own row; the later stages are told, and this one knows none of them. */
export interface FindingEffects {
  /** Evaluates the statement of a receipt whose facts became worse, in the transaction that made them so. */
  readonly evaluate: (
    trx: Trx,
    receiptId: string,
    now: Instant,
  ) => Promise<{ readonly isNew: boolean } | null>;
  /**
   * Opens what belongs to no receipt for certain and evaluates every statement it could belong to.
   *
   * @param before what is done first, in the same transaction
   */
  readonly openUnowned: (
    discrepancy: NewDiscrepancy,
    before: (trx: Trx) => Promise<void>,
  ) => Promise<void>;
  /** Called after a commit that receipts or destinations wait for. */
  readonly onChanged: () => void;
}

type Swept = Pick<SweepRow, 'id' | 'destination' | 'fence'>;

/** A delivery as far as a finding about it goes. */
export interface FoundDelivery {
  readonly id: string;
  readonly receiptId: string | null;
}

/**
 * Opens and closes discrepancies by what sweeps show; each in a transaction of its own, each once. Nothing is closed by a
 * sweep that another worker has taken up meanwhile: what this one saw may have been shown otherwise since.
 */
export class SweepFindings {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: SiteFolder,
    private readonly effects: FindingEffects,
  ) {}

  /** Opens a finding about one delivery; true when it was not open yet. */
  async open(
    sweep: Swept,
    delivery: FoundDelivery,
    what: { readonly class: DiscrepancyClass; readonly detail: string },
  ): Promise<boolean> {
    return await this.#open({
      class: what.class,
      subject: `${deliveryPrefix(sweep.destination)}${delivery.id}`,
      receiptId: delivery.receiptId,
      destination: sweep.destination,
      // What we delivered without a receipt is no evidence that any receipt could lack.
      scope: delivery.receiptId === null ? { destination: sweep.destination } : null,
      detail: what.detail,
    });
  }

  /** A message that nothing of ours accounts for: it counts against its receipt, or blocks by scope (rule 10). */
  async openHolding(holding: DestinationHoldingRow): Promise<boolean> {
    const { destination, identity, receipt_id: receiptId, message, revision } = holding;
    const isOfStatement = message === 'statement' || message === 'stop' || holding.may_permit === 1;
    if (isOfStatement && receiptId !== null && revision !== null) {
      const of = { site: this.site.site, receiptId, revision };
      const isChanged = await this.database.transact(async (trx) => {
        await lockReceipts(trx, of.site, [receiptId]);
        if (!(await isUnsettled(trx, holding))) return false;
        await takeOverHeld(trx, of);
        const superseded = await supersedeOutlived(trx, of);
        await this.#auditSuperseded(trx, superseded, identity);
        const evaluation = await this.effects.evaluate(trx, receiptId, this.clock.now());
        return superseded.length > 0 || evaluation?.isNew === true;
      });
      if (isChanged) this.effects.onChanged();
    }
    const named = [holding.subject, revision === null ? null : `revision ${revision}`];
    const finding = {
      class: 'unknown-at-source',
      subject: `${holdingPrefix(destination)}${identity}`,
      receiptId,
      destination,
      scope: receiptId === null ? unownedScope(holding, this.clock.now()) : null,
      detail: `${destination} holds ${message ?? 'a message'} ${named.filter((n) => n !== null).join(' ')} under ${identity}, which no delivery accounts for`,
    } as const;
    // Somebody may have acknowledged it since it was read: what is opened behind that, nothing would ever close.
    return await this.#open(finding, {
      isStill: (reader) => isUnsettled(reader, holding),
      replacedBy: holding.last_sweep,
    });
  }

  async #auditSuperseded(
    trx: Trx,
    superseded: Awaited<ReturnType<typeof supersedeOutlived>>,
    identity: string,
  ): Promise<void> {
    const { site, timeZone: zone } = this.site;
    const at = this.clock.now();
    const events = superseded.map(({ id, destination, message, reason }) => ({
      site,
      zone,
      at,
      actor: { kind: 'system', name: 'sweep' } as const,
      action: 'delivery.superseded',
      subjectKind: 'delivery',
      subjectId: id,
      ...(reason === null ? {} : { reason }),
      before: { destination, message },
      after: { state: 'superseded', by: identity },
    }));
    await recordAudits(trx, events);
  }

  /** A difference that many records share: one event of the destination that holds new *conforms* there. */
  async openSystematic(sweep: Swept, difference: FieldDifference): Promise<void> {
    const { message, field, differing, compared } = difference;
    const { site, timeZone: zone } = this.site;
    const { destination } = sweep;
    const detail = `${field} differs in ${differing} of ${compared} ${message} messages`;
    await this.database.transact(async (trx) => {
      const now = this.clock.now();
      await openDiscrepancy(
        trx,
        {
          site,
          class: 'differs',
          subject: `${fieldPrefix(destination)}${message}:${field}`,
          receiptId: null,
          containerLabel: null,
          destination,
          scope: { destination },
          detail: `${destination}: ${detail}`,
          openedAt: now,
        },
        zone,
      );
      await setDifference(trx, { site, destination, difference: detail, now });
    });
    this.effects.onChanged();
  }

  /** Deliveries that differ in nothing but what many records share stand behind that, and need no finding of their own. */
  async share(sweep: Swept, rows: readonly SharedDifferenceRow[]): Promise<void> {
    await this.database.transact(async (trx) => {
      if (!(await holdSweep(trx, sweep))) return;
      for (const row of rows) await keepShared(trx, row);
    });
  }

  /** A delivery has a finding of its own, and stands behind no shared difference any more. */
  async unshare(sweep: Swept, deliveryId: string): Promise<void> {
    const { site } = this.site;
    const of = { site, destination: sweep.destination, delivery_id: deliveryId };
    await this.database.transact(async (trx) => {
      if (await holdSweep(trx, sweep)) await dropShared(trx, of);
    });
  }

  /** What a sweep found equal stands behind no shared difference any more. */
  async unshareEqual(sweep: Swept): Promise<void> {
    const { site } = this.site;
    await this.database.transact(async (trx) => {
      if (await holdSweep(trx, sweep)) await dropEqual(trx, { ...sweep, site });
    });
  }

  /** Closes a finding by what a sweep shows now; the receipt is evaluated anew later. */
  async close(sweep: Swept, found: DiscrepancyRow, evidence: string): Promise<void> {
    await this.#closeAs(sweep, found.receipt_id, (trx, now) =>
      this.#close(trx, sweep, found, evidence, now),
    );
  }

  /**
   * Closes a difference that many records shared, once none of them stands behind it any more. With the last of a
   * destination new *conforms* go there again, and the receipts that waited for it are told, in the same transaction: nobody
   * would look for either later.
   */
  async closeSystematic(sweep: Swept, found: DiscrepancyRow): Promise<void> {
    const { destination } = sweep;
    await this.#closeAs(sweep, null, async (trx, now) => {
      const standing = await sharedFields(trx, { site: found.site, destination });
      const isShared = standing.some(
        (of) => found.subject === `${fieldPrefix(destination)}${differenceKey(of)}`,
      );
      if (isShared) return;
      const evidence = 'each message behind it is equal, or has a finding of its own';
      await this.#close(trx, sweep, found, evidence, now);
      const of = { site: found.site, destination, prefix: fieldPrefix(destination) };
      if ((await openOfSweeps(trx, of)).length > 0) return;
      await setDifference(trx, { ...of, difference: null, now });
      await tellWaitingReceipts(trx, found.site);
    });
  }

  /** A message is accounted for. */
  async settle(sweep: Swept, holding: DestinationHoldingRow, evidence: string): Promise<void> {
    await this.#closeAs(sweep, holding.receipt_id, async (trx, now) => {
      await settleHolding(trx, holding, now);
      await this.#closeHolding(trx, sweep, holding, evidence, now);
    });
  }

  /** A message is there, although the list did not show it. */
  async keep(sweep: Swept, holding: DestinationHoldingRow): Promise<void> {
    await this.database.transact(async (trx) => {
      if (await holdSweep(trx, sweep)) await noteListed(trx, holding, sweep.id);
    });
  }

  /** A message is not listed any more. */
  async forget(sweep: Swept, holding: DestinationHoldingRow): Promise<void> {
    await this.#closeAs(sweep, holding.receipt_id, async (trx, now) => {
      await forgetHolding(trx, holding);
      await this.#closeHolding(trx, sweep, holding, 'it is no longer listed', now);
    });
  }

  async #closeHolding(
    trx: Trx,
    sweep: Swept,
    { site, destination, identity }: DestinationHoldingRow,
    evidence: string,
    now: Instant,
  ): Promise<void> {
    const subject = `${holdingPrefix(destination)}${identity}`;
    await this.#close(trx, sweep, { site, class: 'unknown-at-source', subject }, evidence, now);
  }

  async #close(
    trx: Trx,
    sweep: Pick<Swept, 'id'>,
    { site, class: kind, subject }: Pick<DiscrepancyRow, 'site' | 'class' | 'subject'>,
    shown: string,
    closedAt: Instant,
  ): Promise<void> {
    const evidence = `sweep ${sweep.id}: ${shown}`;
    const zone = this.site.timeZone;
    await closeByEvidence(trx, { site, class: kind, subject, evidence, closedAt, zone });
  }

  async #closeAs(
    sweep: Swept,
    receiptId: string | null,
    close: (trx: Trx, now: Instant) => Promise<void>,
  ): Promise<void> {
    await this.database.transact(async (trx) => {
      if (!(await holdSweep(trx, sweep))) return;
      const receipts = receiptId === null ? [] : [receiptId];
      await lockReceiptsMarking(trx, this.site.site, receipts, new Set(receipts));
      await close(trx, this.clock.now());
    });
    this.effects.onChanged();
  }

  /**
   * @param how `isStill` is asked behind the lock of its receipt; `replacedBy` names the sweep by which what is open under the
   *   same name is closed, in the same transaction, where that says something else
   */
  async #open(
    what: Omit<NewDiscrepancy, 'site' | 'containerLabel' | 'openedAt'>,
    how: {
      readonly isStill?: (reader: Reader) => Promise<boolean>;
      readonly replacedBy?: string;
    } = {},
  ): Promise<boolean> {
    const { site } = this.site;
    const { db } = this.database;
    const { isStill = () => Promise.resolve(true), replacedBy } = how;
    const before = await openEventDiscrepancy(db, site, what.class, what.subject);
    const isSame = before?.receipt_id === what.receiptId && before.detail === what.detail;
    if (before !== undefined && (replacedBy === undefined || isSame)) return false;
    const replace = async (trx: Trx): Promise<void> => {
      if (before === undefined || replacedBy === undefined) return;
      const evidence = 'it shows something else';
      await this.#close(trx, { id: replacedBy }, before, evidence, this.clock.now());
    };
    const discrepancy = { site, containerLabel: null, openedAt: this.clock.now(), ...what };
    const { receiptId, scope } = discrepancy;
    if (receiptId === null && scope?.destination === undefined) {
      if (!(await isStill(db))) return false;
      await this.effects.openUnowned(discrepancy, replace);
    } else {
      const receipts = [receiptId, before?.receipt_id ?? null].filter((id) => id !== null);
      const isOpened = await this.database.transact(async (trx) => {
        await lockReceiptsMarking(trx, site, receipts, new Set(before ? receipts : []));
        if (!(await isStill(trx))) return false;
        const now = this.clock.now();
        await replace(trx);
        await openDiscrepancy(trx, { ...discrepancy, openedAt: now }, this.site.timeZone);
        if (receiptId !== null) await this.effects.evaluate(trx, receiptId, now);
        return true;
      });
      if (!isOpened) return false;
    }
    this.effects.onChanged();
    return true;
  }
}

/** What it could speak of: every receipt until then; a message about a period speaks of none. */
function unownedScope({ message, destination, held_at: at }: DestinationHoldingRow, now: Instant) {
  return message === 'period' ? { destination } : { to: at ?? now };
}

export function deliveryPrefix(destination: string): string {
  return `held:${destination}:`;
}

export function holdingPrefix(destination: string): string {
  return `holding:${destination}:`;
}

export function fieldPrefix(destination: string): string {
  return `field:${destination}:`;
}

/** What a listed message says against an open finding about its delivery; null when it answers nothing. */
export function answeredBy(kind: DiscrepancyClass, item: SweepItemRow): string | null {
  switch (kind) {
    case 'absent':
      return 'it is listed again';
    case 'differs':
      return item.verdict === 'equal' ? 'it is listed as it was sent' : null;
    case 'stop-not-effective':
      return item.verdict === 'not-effective' ? null : 'it or a later one is in force there';
    case 'duplicate-at-destination':
      return item.count === 1 ? 'it is listed once' : null;
    case 'unknown-at-source':
      return item.verdict === 'unsent' ? null : 'it was sent and is listed';
    default:
      return null;
  }
}

/** True where a list alone closes nothing: it shows a period, and what was found may lie outside of it. */
export function isClosedByAsking(kind: DiscrepancyClass): boolean {
  return kind === 'duplicate-at-destination' || kind === 'differs' || kind === 'stop-not-effective';
}

/**
 * Whether the answer to a question about the delivery itself ends such a finding.
 *
 * @param verdict what the answer shows of the delivery, see `judgeShown`
 */
export function isAnsweredBy(
  kind: DiscrepancyClass,
  { kind: answer }: ReadBackAnswer,
  { verdict }: Pick<HeldVerdict, 'verdict'>,
): boolean {
  if (answer === 'absent' || answer === 'unavailable') return false;
  switch (kind) {
    case 'duplicate-at-destination':
      return answer !== 'several' && answer !== 'differs';
    case 'differs':
      return verdict === 'equal';
    case 'stop-not-effective':
      return verdict !== 'not-effective';
    default:
      return false;
  }
}
