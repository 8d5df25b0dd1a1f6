import { recordAudits } from '../audit/audit.store.js';
import type { ReadBackAnswer } from '../delivery/read-back-answer.js';
import { supersedeOutlived } from '../delivery/recovery-doubt.store.js';
import type { Instant } from '../formats/instant.js';
import { receiptOfDelivery, receiptOfHolding } from '../receipts/delivery-findings.store.js';
import { deliveryPrefix } from '../receipts/evidence-subject.js';
import { markEvaluationDue, tellWaitingReceipts } from '../receipts/facts.store.js';
import { takeOverHeld } from '../receipts/held-elsewhere.store.js';
import { receiptsComingOf } from '../receipts/lineage.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
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
import {
  closeByEvidence,
  moveDiscrepancy,
  openDiscrepancy,
  openEventDiscrepancy,
} from './discrepancies.store.js';
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

type Finding = Pick<DiscrepancyRow, 'site' | 'class' | 'subject'>;

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

  /**
   * Opens a finding about one delivery, under the receipt that it belongs to by now; one that is open under another, or under
   * none, is moved there.
   */
  async open(
    { destination }: Swept,
    deliveryId: string,
    what: { readonly class: DiscrepancyClass; readonly detail: string },
  ): Promise<void> {
    const { site, timeZone } = this.site;
    const finding = { site, ...what, subject: `${deliveryPrefix(destination)}${deliveryId}` };
    const isUnder = async (reader: Reader): Promise<boolean> => {
      const found = await openEventDiscrepancy(reader, site, what.class, finding.subject);
      const receiptId = await receiptOfDelivery(reader, site, deliveryId);
      return found !== undefined && (receiptId === null || receiptId === found.receipt_id);
    };
    if (await isUnder(this.database.db)) return;
    await transactLocking(this.database, site, async (trx, locks) => {
      const receipts = await lockFound(trx, locks, site, async () => [
        await receiptOfDelivery(trx, site, deliveryId),
        ...(await receiptsOfFinding(trx, finding)),
      ]);
      if (await isUnder(trx)) return;
      const now = this.clock.now();
      const receiptId = await receiptOfDelivery(trx, site, deliveryId);
      if (receiptId !== null) await moveDiscrepancy(trx, finding, receiptId);
      const opened = {
        ...finding,
        receiptId,
        containerLabel: null,
        destination,
        // What we delivered without a receipt is no evidence that any receipt could lack.
        scope: receiptId === null ? { destination } : null,
        openedAt: now,
      };
      await openDiscrepancy(trx, opened, timeZone);
      await this.#evaluate(trx, receipts, now);
    });
    this.effects.onChanged();
  }

  /** A message that nothing of ours accounts for: it counts against its receipt, or blocks by scope (rule 10). */
  async openHolding(holding: DestinationHoldingRow): Promise<boolean> {
    const { destination, identity, receipt_id: receiptId, message, revision } = holding;
    const isOfStatement = message === 'statement' || message === 'stop' || holding.may_permit === 1;
    if (isOfStatement && receiptId !== null && revision !== null) {
      const of = { site: this.site.site, receiptId, revision };
      const isChanged = await transactLocking(this.database, of.site, async (trx, locks) => {
        const bearing = await locks.addFound([receiptId], comingOf(trx, of.site));
        if (!(await isUnsettled(trx, holding))) return false;
        await takeOverHeld(trx, of);
        const superseded = await supersedeOutlived(trx, of);
        await this.#auditSuperseded(trx, superseded, identity);
        const isNew = await this.#evaluate(trx, bearing, this.clock.now());
        return superseded.length > 0 || isNew;
      });
      if (isChanged) this.effects.onChanged();
    }
    const named = [holding.subject, revision === null ? null : `revision ${revision}`];
    return await this.#openHolding(holding, {
      class: 'unknown-at-source',
      subject: `${holdingPrefix(destination)}${identity}`,
      receiptId: await receiptOfHolding(this.database.db, holding),
      destination,
      scope: receiptId === null ? unownedScope(holding, this.clock.now()) : null,
      detail: `${destination} holds ${message ?? 'a message'} ${named.filter((n) => n !== null).join(' ')} under ${identity}, which no delivery accounts for`,
    });
  }

  /** A finding at a receipt bears on what came of it as well; true when one of them says something new. */
  async #evaluate(trx: Trx, receipts: ReadonlySet<string>, now: Instant): Promise<boolean> {
    let isNew = false;
    for (const id of [...receipts].sort()) {
      if ((await this.effects.evaluate(trx, id, now))?.isNew === true) isNew = true;
    }
    return isNew;
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
    await this.#closeAs(sweep, found, (trx, now) => this.#close(trx, sweep, found, evidence, now));
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
    await this.#closeAs(sweep, findingOf(holding), async (trx, now) => {
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
    await this.#closeAs(sweep, findingOf(holding), async (trx, now) => {
      await forgetHolding(trx, holding);
      await this.#closeHolding(trx, sweep, holding, 'it is no longer listed', now);
    });
  }

  async #closeHolding(
    trx: Trx,
    sweep: Swept,
    holding: DestinationHoldingRow,
    evidence: string,
    now: Instant,
  ): Promise<void> {
    await this.#close(trx, sweep, findingOf(holding), evidence, now);
  }

  async #close(
    trx: Trx,
    sweep: Pick<Swept, 'id'>,
    { site, class: kind, subject }: Finding,
    shown: string,
    closedAt: Instant,
  ): Promise<void> {
    const evidence = `sweep ${sweep.id}: ${shown}`;
    const zone = this.site.timeZone;
    await closeByEvidence(trx, { site, class: kind, subject, evidence, closedAt, zone });
  }

  /**
   * Closes something, if the sweep is still ours, behind the locks of the receipts that it counted against: they are evaluated
   * anew later. What counted against none may have counted against any that wait.
   *
   * @param finding what is closed; null for what is no receipt's and changes none
   */
  async #closeAs(
    sweep: Swept,
    finding: Finding | null,
    close: (trx: Trx, now: Instant) => Promise<void>,
  ): Promise<void> {
    const { site } = this.site;
    await transactLocking(this.database, site, async (trx, locks) => {
      if (!(await holdSweep(trx, sweep))) return;
      const find = async () => (finding === null ? [] : await receiptsOfFinding(trx, finding));
      const receipts = await lockFound(trx, locks, site, find);
      await markEvaluationDue(trx, site, receipts);
      await close(trx, this.clock.now());
      if (finding !== null && receipts.size === 0) await tellWaitingReceipts(trx, site);
    });
    this.effects.onChanged();
  }

  /** Opens what a message of nobody's says, in the place of what is open about it and says something else. */
  async #openHolding(
    holding: DestinationHoldingRow,
    what: Omit<NewDiscrepancy, 'site' | 'containerLabel' | 'openedAt'>,
  ): Promise<boolean> {
    const { site } = this.site;
    const { db } = this.database;
    const finding = findingOf(holding);
    const before = await openEventDiscrepancy(db, site, finding.class, finding.subject);
    if (before?.receipt_id === what.receiptId && before.detail === what.detail) return false;
    const replace = async (trx: Trx): Promise<void> => {
      if (before === undefined) return;
      const evidence = 'it shows something else';
      await this.#close(trx, { id: holding.last_sweep }, before, evidence, this.clock.now());
    };
    const discrepancy = { site, containerLabel: null, openedAt: this.clock.now(), ...what };
    const { receiptId, scope } = discrepancy;
    if (receiptId === null && scope?.destination === undefined) {
      if (!(await isUnsettled(db, holding))) return false;
      await this.effects.openUnowned(discrepancy, replace);
    } else {
      const isOpened = await transactLocking(this.database, site, async (trx, locks) => {
        const receipts = await lockFound(trx, locks, site, async () => [
          await receiptOfHolding(trx, holding),
          ...(await receiptsOfFinding(trx, finding)),
        ]);
        if (!(await isUnsettled(trx, holding))) return false;
        const now = this.clock.now();
        await replace(trx);
        const at = { receiptId: await receiptOfHolding(trx, holding), openedAt: now };
        await openDiscrepancy(trx, { ...discrepancy, ...at }, this.site.timeZone);
        await this.#evaluate(trx, receipts, now);
        return true;
      });
      if (!isOpened) return false;
    }
    this.effects.onChanged();
    return true;
  }
}

/** Receipts that a finding counts against, null among them where it is open without one. */
async function receiptsOfFinding(
  reader: Reader,
  { site, class: kind, subject }: Finding,
): Promise<(string | null)[]> {
  const open = await openEventDiscrepancy(reader, site, kind, subject);
  return open === undefined ? [] : [open.receipt_id];
}

/** What came of receipts, see `ReceiptLocks.addFound`. */
function comingOf(trx: Trx, site: string) {
  return (ids: readonly string[]) => receiptsComingOf(trx, site, ids);
}

/**
 * Locks the receipts that something counts against, with what came of them, and looks for them again behind the locks: a
 * result may have been given to another meanwhile. For what counts against none the site's evidence is locked, which is
 * shared by whoever gives a result its first receipt.
 */
async function lockFound(
  trx: Trx,
  locks: ReceiptLocks,
  site: string,
  find: () => Promise<readonly (string | null)[]>,
): Promise<ReadonlySet<string>> {
  let isAlone = false;
  for (;;) {
    const found = await find();
    const owners = found.filter((id) => id !== null);
    const receipts = await locks.addFound(owners, comingOf(trx, site));
    const isUnowned = found.includes(null);
    if (isUnowned && !isAlone) await locks.evidence();
    isAlone ||= isUnowned;
    const again = await find();
    if (again.every((id) => (id === null ? isAlone : receipts.has(id)))) return receipts;
  }
}

function findingOf({ site, destination, identity }: DestinationHoldingRow): Finding {
  const subject = `${holdingPrefix(destination)}${identity}`;
  return { site, class: 'unknown-at-source', subject };
}

/**
 * What it could speak of: every receipt until it was found, since a destination's clock, by which it is dated, is not ours; a
 * message about a period speaks of none.
 */
function unownedScope({ message, destination }: DestinationHoldingRow, now: Instant) {
  return message === 'period' ? { destination } : { to: now };
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
      return 'it is there again';
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
