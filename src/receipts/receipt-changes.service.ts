import { namesOfPerson } from '../access/accounts.store.js';
import { looksAlike } from '../access/user-name.js';
import { recordAudit } from '../audit/audit.store.js';
import type { FurtherRule } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { ReceiptLinkKind, ReceiptRow, ReceiptStatus } from '../storage/tables.js';
import {
  attributePlansMember,
  type ReceiptAttributePlan,
  together,
} from './attribute-inspection.js';
import type { ReceiptLine } from './expectation-line.js';
import { lockReceipts } from './facts.store.js';
import { containerKey, drumNumber, findLabelClashes } from './label.js';
import { labelFault } from './label-list.js';
import {
  hasDisagreement,
  insertRelabel,
  leftBehind,
  moveEvidence,
  receiptsComingOf,
  receiptsListing,
  relabelResults,
  relabelsOf,
  resultsAgainst,
  unansweredSources,
} from './lineage.store.js';
import { labelsElsewhere } from './linked-labels.js';
import { linkedLabels } from './linked-labels.store.js';
import {
  type ChangeFault,
  type Checked,
  mergedLine,
  type SplitPart,
  splitLines,
  splitOffLines,
} from './receipt-changes.js';
import { linkReceipts } from './receipt-links.service.js';
import {
  type By,
  type InForce,
  inspectionsCarried,
  revisionInForce,
  storeRevision,
} from './receipt-revision.service.js';
import type { ReceiptsService, ReceiptsSettings } from './receipts.service.js';
import { findReceipts } from './receipts.store.js';
import { receiptsRefusedBeside } from './refused-beside.store.js';
import { closeSplitOff, rejectionSubject, rejectionsOf, setSplitOff } from './rejections.store.js';
import { asksFurther, furtherContainers, isStricter } from './sampling-plan.js';

/** A receipt after a change. */
export interface ChangedReceipt {
  readonly receiptId: string;
  readonly revision: number;
  readonly status: ReceiptStatus;
}

export type ChangeResult =
  | { readonly ok: true; readonly receipts: readonly ChangedReceipt[] }
  | ({ readonly ok: false } & ChangeFault);

/** Asked of one receipt. */
interface OfReceipt {
  readonly receiptId: string;
  /** Revision the asker has seen; null to change whatever there is. */
  readonly seen: number | null;
}

export interface RelabelRequest extends OfReceipt {
  readonly from: string;
  readonly to: string;
  /** Who watched the new label being put on; not who asks. */
  readonly witness: string;
}

export interface SplitRequest extends OfReceipt {
  readonly parts: readonly SplitPart[];
}

export interface SplitOffRequest extends OfReceipt {
  /** The receipt that rejected containers go to. */
  readonly part: SplitPart;
}

export interface MergeRequest {
  readonly receiptId: string;
  readonly scanText?: string;
  readonly quantity?: string;
  readonly parts: readonly string[];
}

interface Found {
  readonly row: ReceiptRow;
  readonly before: InForce;
}

/**
 * Changes of a receipt that are no announcement: cancelled, a label printed anew, split, merged. Each is one transaction with
 * a revision of every receipt it touches, an entry of the trail, and every statement it could make worse evaluated
 * in it. Results are never lost: they stay, or go with their container.
 */
export class ReceiptChangesService {
  constructor(
    private readonly settings: ReceiptsSettings,
    private readonly receipts: ReceiptsService,
  ) {}

  /** Nothing of it is used any more. Its results stay and still speak against what came of it. */
  async cancel(trx: Trx, request: OfReceipt, by: By): Promise<ChangeResult> {
    const found = await this.open(trx, request);
    if (!found.ok) return found;
    const { row, before } = found.value;
    const planned = { plan: before.plan, required: before.required };
    return this.stored(
      trx,
      [
        await this.revise(trx, row, before, planned.required, by, {
          action: 'receipt.cancelled',
          status: 'cancelled',
        }),
      ],
      by,
    );
  }

  /** The old label goes on naming the same container, for scans and announcements alike. */
  async relabel(trx: Trx, request: RelabelRequest, by: By): Promise<ChangeResult> {
    const { site } = this.settings.site;
    const found = await this.openWithLinked(trx, request);
    if (!found.ok) return found;
    const { row, before } = found.value;
    const [from, to] = [containerKey(request.from), containerKey(request.to)];
    const held = before.inForce.containers.find((label) => containerKey(label) === from);
    const waiting = await this.whyNotDivided(trx, row.id, from);
    if (waiting !== null) return invalid(waiting);
    const why =
      held === undefined
        ? `"${request.from}" is no container of it`
        : await this.whyNotLabel(trx, row.id, before.inForce, request, by);
    if (why !== null || held === undefined) return invalid(why ?? '');
    await insertRelabel(trx, {
      site,
      receipt_id: row.id,
      old_label: held,
      old_key: from,
      new_label: request.to,
      new_key: to,
      witness: request.witness,
      reason: by.source,
      actor: by.actor.name,
      at: by.now,
    });
    await relabelResults(trx, site, { receiptId: row.id, from: held, to: request.to });
    const containers = before.inForce.containers.map((l) => (l === held ? request.to : l));
    const line = { ...before.inForce, containers };
    const required = new Set([...before.required].map((key) => (key === from ? to : key)));
    const change = { action: 'receipt.relabelled', status: 'open', line } as const;
    const revised = await this.revise(trx, row, before, required, by, change);
    await this.receipts.link(trx, line, new Map(), by);
    // A review of what the container was measured with is of the old label.
    const beside = await receiptsRefusedBeside(trx, site, [row.id]);
    const changed = await this.stored(trx, [revised], by);
    for (const id of beside) await this.settings.evaluate(trx, id, by.now);
    return changed;
  }

  /** Each part goes on from the evidence of its own containers, and from what was known of the whole. */
  async split(trx: Trx, request: SplitRequest, by: By): Promise<ChangeResult> {
    const { site } = this.settings.site;
    const looked = await this.look(trx, request);
    if (!looked.ok) return looked;
    const planned = splitLines(looked.value.before.inForce, request.parts);
    if (!planned.ok) return planned;
    const ready = await this.ready(trx, planned.value, [request.receiptId]);
    if (!ready.ok) return ready;
    const found = await this.open(trx, request);
    if (!found.ok) return found;
    const { row, before } = found.value;
    const again = splitLines(before.inForce, request.parts);
    if (!again.ok) return again;
    const waiting = await this.whyNotDivided(trx, row.id);
    if (waiting !== null) return invalid(waiting);
    await this.settings.evaluate(trx, row.id, by.now);
    const unowned = await this.receipts.unowned(trx);
    const carried = attributePlansMember(await inspectionsCarried(trx, site, before));
    const stood = await stoodBefore(trx, site, row.id);
    const made: ChangedReceipt[] = [];
    for (const line of again.value) {
      const scanned = ready.value.byScan.get(line.scanText) ?? null;
      const basis = { ...before, ...carried };
      const derived = { basis, action: 'receipt.split-off', handOf: row.by_hand };
      await this.receipts.add(trx, line, scanned, unowned, by, derived);
      await moveEvidence(trx, site, { from: row.id, to: line.receiptId, labels: line.containers });
      made.push({ receiptId: line.receiptId, revision: 1, status: 'open' });
    }
    for (const line of again.value) {
      const link = this.linkTo(line, row.id, 'split', by);
      await linkReceipts(trx, site, { ...link, ...stood }, by);
    }
    const change = { action: 'receipt.split', status: 'split' } as const;
    const closed = await this.revise(trx, row, before, NONE, by, change);
    return this.divided(trx, [closed, ...made], by);
  }

  /**
   * ERP confirms that rejected containers are split off (rule 16). Only a key may say so, and only of containers that a
   * signed act rejected: what speaks against the receipt goes with them, and every container the plan asks for after
   * a failure stays required of the rest.
   */
  async splitOff(trx: Trx, request: SplitOffRequest, by: By): Promise<ChangeResult> {
    const { site } = this.settings.site;
    if (by.actor.kind !== 'key') {
      const detail = 'only ERP confirms that a rejected container is split off, with its own key';
      return { ok: false, code: 'right-missing', detail };
    }
    const looked = await this.look(trx, request);
    if (!looked.ok) return looked;
    const planned = splitOffLines(looked.value.before.inForce, request.part);
    if (!planned.ok) return planned;
    const ready = await this.ready(trx, [planned.value.gone], [request.receiptId]);
    if (!ready.ok) return ready;
    const found = await this.open(trx, request);
    if (!found.ok) return found;
    const { row, before } = found.value;
    const again = splitOffLines(before.inForce, request.part);
    if (!again.ok) return again;
    const { rest, gone } = again.value;
    const keys = gone.containers.map(containerKey);
    const rejected = (await rejectionsOf(trx, site, row.id)).filter(
      (r) => r.split_off_to === null && keys.includes(r.container_key),
    );
    const unsigned = gone.containers.find(
      (label) => !rejected.some((r) => r.container_key === containerKey(label)),
    );
    if (unsigned !== undefined) {
      return invalid(`container "${unsigned}" was not rejected by a signed act; split instead`);
    }
    await this.settings.evaluate(trx, row.id, by.now);
    const scanned = ready.value.byScan.get(gone.scanText) ?? null;
    const carried = attributePlansMember(await inspectionsCarried(trx, site, before));
    const basis = { ...before, ...carried };
    const derived = { basis, action: 'receipt.split-off', handOf: row.by_hand };
    await this.receipts.add(trx, gone, scanned, await this.receipts.unowned(trx), by, derived);
    await this.closeRejected(trx, row.id, keys, gone.receiptId, by);
    const move = { from: row.id, to: gone.receiptId, labels: gone.containers };
    await moveEvidence(trx, site, move);
    await linkReceipts(trx, site, this.linkTo(gone, row.id, 'split-off', by), by);
    const ids = rejected.map((r) => r.id);
    await setSplitOff(trx, ids, { receiptId: gone.receiptId, at: by.now, by: by.actor.name });
    const labels = rest.containers.map(containerKey);
    const kept = new Set(labels.filter((key) => before.required.has(key)));
    const further =
      before.plan === null ? [] : furtherContainers(before.plan, labels, kept, keys.length);
    const required = new Set([...kept, ...further]);
    const change = { action: 'receipt.container-split-off', status: 'open', line: rest } as const;
    const plan = before.plan && {
      ...before.plan,
      containers: labels.length,
      required: required.size,
    };
    const revised = await this.revise(trx, row, { ...before, plan }, required, by, change);
    const made = { receiptId: gone.receiptId, revision: 1, status: 'open' } as const;
    return this.divided(trx, [revised, made], by);
  }

  private async closeRejected(
    trx: Trx,
    from: string,
    keys: readonly string[],
    to: string,
    by: By,
  ): Promise<void> {
    const { site, timeZone } = this.settings.site;
    const evidence = `receipt:${to} takes it by a change of key ${by.actor.name}`;
    const subjects = keys.map((key) => rejectionSubject(from, key));
    const closed = await closeSplitOff(trx, site, subjects, { evidence, now: by.now });
    for (const subjectId of closed) {
      await recordAudit(trx, {
        site,
        zone: timeZone,
        at: by.now,
        actor: by.actor,
        action: 'discrepancy.closed',
        subjectKind: 'discrepancy',
        subjectId,
        reason: evidence,
        before: { closedAt: null },
        after: { closedAt: by.now, evidence },
      });
    }
  }

  /** The whole rests on all its parts: it conforms only if every one of them stood well. */
  async merge(trx: Trx, request: MergeRequest, by: By): Promise<ChangeResult> {
    const { site } = this.settings.site;
    const ids = [...new Set(request.parts)].sort();
    const looked: Found[] = [];
    for (const receiptId of ids) {
      const part = await this.look(trx, { receiptId, seen: null });
      if (!part.ok) return part;
      looked.push(part.value);
    }
    const planned = mergedLine(
      request,
      looked.map((part) => part.before.inForce),
    );
    if (!planned.ok) return planned;
    const ready = await this.ready(trx, [planned.value], ids);
    if (!ready.ok) return ready;
    const parts: Found[] = [];
    for (const receiptId of ids) {
      const part = await this.open(trx, { receiptId, seen: null });
      if (!part.ok) return part;
      parts.push(part.value);
    }
    const again = mergedLine(
      request,
      parts.map((part) => part.before.inForce),
    );
    if (!again.ok) return again;
    const line = again.value;
    for (const { row } of parts) {
      const waiting = await this.whyNotDivided(trx, row.id);
      if (waiting !== null) return invalid(waiting);
    }
    for (const { row } of parts) await this.settings.evaluate(trx, row.id, by.now);
    const scanned = ready.value.byScan.get(line.scanText) ?? null;
    const strictest = parts.reduce((a, b) => (isStricterPart(b, a) ? b : a));
    const required = new Set(parts.flatMap((part) => [...part.before.required]));
    const plan = strictest.before.plan && {
      ...strictest.before.plan,
      afterFailure: strictestFurther(parts),
    };
    const asked: ReceiptAttributePlan[] = [];
    for (const { before } of parts) asked.push(...(await inspectionsCarried(trx, site, before)));
    const { attributePlans: _, ...stricter } = strictest.before;
    const basis = { ...stricter, plan, required, ...attributePlansMember(together(asked)) };
    const hands = new Set(parts.flatMap(({ row }) => row.by_hand ?? []));
    const handOf = hands.size === 0 ? null : [...hands].join(', ');
    const derived = { basis, action: 'receipt.merged-from', handOf };
    await this.receipts.add(trx, line, scanned, await this.receipts.unowned(trx), by, derived);
    const unanswered = await unansweredSources(trx, site, ids);
    const closed: ChangedReceipt[] = [];
    for (const { row, before } of parts) {
      const { containers } = before.inForce;
      const disagreed = await hasDisagreement(trx, site, row.id);
      await moveEvidence(trx, site, { from: row.id, to: line.receiptId, labels: containers });
      const link = this.linkTo({ ...line, containers }, row.id, 'merged', by);
      await linkReceipts(trx, site, { ...link, unanswered, disagreed }, by);
      const change = { action: 'receipt.merged', status: 'merged' } as const;
      closed.push(await this.revise(trx, row, before, NONE, by, change));
    }
    const made = { receiptId: line.receiptId, revision: 1, status: 'open' } as const;
    return this.divided(trx, [made, ...closed], by);
  }

  private linkTo(line: ReceiptLine, from: string, kind: ReceiptLinkKind, by: By) {
    const containers = line.containers.map(containerKey);
    return { kind, from, to: line.receiptId, containers, reason: by.source };
  }

  /** Locks what new lines touch and says what stands against them. */
  private async ready(trx: Trx, lines: readonly ReceiptLine[], also: readonly string[]) {
    const taken = await findReceipts(
      trx,
      this.settings.site.site,
      lines.map((l) => l.receiptId),
    );
    const [known] = [...taken.values()];
    if (known) return invalid(`receipt ${known.id} is there already; name a new one`);
    const ids = new Set<string>();
    const texts = new Set<string>();
    for (const { receiptId, scanText } of lines) {
      if (ids.has(receiptId)) return invalid(`receipt id ${receiptId} is named twice`);
      if (texts.has(scanText)) return invalid(`scan text "${scanText}" is named twice`);
      ids.add(receiptId);
      texts.add(scanText);
    }
    const ready = await this.receipts.prepare(trx, lines, also);
    const [fault] = ready.faults;
    return fault ? invalid(fault.message) : ({ ok: true, value: ready } as const);
  }

  private async open(trx: Trx, request: OfReceipt): Promise<Checked<Found>> {
    await lockReceipts(trx, this.settings.site.site, [request.receiptId]);
    return this.look(trx, request);
  }

  /**
   * As `open`, and locks the receipts linked to it: a label that one of them takes meanwhile may not be taken here. Those
   * whose results were refused beside its own too, which are evaluated with it.
   */
  private async openWithLinked(trx: Trx, request: OfReceipt): Promise<Checked<Found>> {
    const { site } = this.settings.site;
    const ids = new Set([request.receiptId]);
    for (let size = 0; size < ids.size; ) {
      size = ids.size;
      await lockReceipts(trx, site, ids);
      const { receiptIds } = await linkedLabels(trx, site, request.receiptId, () => true);
      for (const id of receiptIds) ids.add(id);
      for (const id of await receiptsRefusedBeside(trx, site, [request.receiptId])) ids.add(id);
    }
    return this.look(trx, request);
  }

  private async look(trx: Trx, { receiptId, seen }: OfReceipt): Promise<Checked<Found>> {
    const { site } = this.settings.site;
    const row = (await findReceipts(trx, site, [receiptId])).get(receiptId);
    const before = row?.announced === 1 ? await revisionInForce(trx, site, receiptId) : null;
    if (!row || before === null) {
      return {
        ok: false,
        code: 'receipt-unknown',
        detail: `receipt ${receiptId} was never announced`,
      };
    }
    if (row.status !== 'open') {
      return {
        ok: false,
        code: 'receipt-closed',
        detail: `receipt ${receiptId} was ${row.status}`,
      };
    }
    if (seen !== null && seen !== row.revision) {
      return {
        ok: false,
        code: 'receipt-changed',
        detail: `receipt ${receiptId} is at revision ${row.revision}, expected ${seen}`,
      };
    }
    return { ok: true, value: { row, before } };
  }

  /** A rejected container leaves its receipt by ERP's word and in no other way. */
  private async whyNotDivided(trx: Trx, receiptId: string, key?: string): Promise<string | null> {
    const { site } = this.settings.site;
    const waiting = (await rejectionsOf(trx, site, receiptId)).find(
      (r) => r.split_off_to === null && (key === undefined || r.container_key === key),
    );
    return waiting === undefined
      ? null
      : `container "${waiting.container_label}" of ${receiptId} was rejected: ERP splits it off first`;
  }

  private async whyNotLabel(
    trx: Trx,
    receiptId: string,
    inForce: ReceiptLine,
    request: RelabelRequest,
    by: By,
  ): Promise<string | null> {
    const { site } = this.settings.site;
    const fault = labelFault(request.to);
    if (fault) return fault.message;
    if (request.witness.trim() === '') return 'no witness is named';
    const { kind, name } = by.actor;
    // A person is known by more than the id in the trail, and types what others call them.
    const asks = kind === 'person' ? await namesOfPerson(trx, site, name) : [];
    if ([name, ...asks].some((own) => looksAlike(own, request.witness))) {
      return 'the witness is who asks; a second person has to watch';
    }
    const key = containerKey(request.to);
    const from = containerKey(request.from);
    const isTaken = (label: string) =>
      containerKey(label) === key ||
      (containerKey(label) !== from && findLabelClashes([label, request.to]).length > 0);
    if (inForce.containers.some(isTaken)) {
      return `"${request.to}" is the label of a container of this receipt already`;
    }
    const earlier = await relabelsOf(trx, site, [receiptId]);
    if (earlier.some((r) => r.old_key === key)) {
      return `"${request.to}" was the label of a container of this receipt before; print another`;
    }
    const linked = await linkedLabels(trx, site, receiptId, () => true);
    const others = linked.labels.filter(({ label }) => containerKey(label) !== from);
    const elsewhere = labelsElsewhere(others, [request.to]).get(key);
    if (elsewhere !== undefined) {
      return `"${request.to}" is or was the label of a container of receipt ${elsewhere}, to or from which containers of this one went; print another`;
    }
    if (drumNumber(key) === null) return null;
    const [other] = await receiptsListing(trx, site, [key], new Set([receiptId]));
    return other ? `"${request.to}" is listed by receipt ${other.receiptId}` : null;
  }

  private async revise(
    trx: Trx,
    row: ReceiptRow,
    before: InForce,
    required: ReadonlySet<string>,
    by: By,
    change: {
      readonly action: string;
      readonly status: ReceiptStatus;
      readonly line?: ReceiptLine;
    },
  ): Promise<ChangedReceipt> {
    const { announced, inForce, plan, attributePlans = [] } = before;
    const revision = row.revision + 1;
    const document = {
      announced,
      inForce: change.line ?? inForce,
      keptBack: [],
      plan,
      ...attributePlansMember(attributePlans),
    };
    const { action, status } = change;
    const planned = { plan, required };
    const stored = { document, planned, revision, before: inForce, action, status };
    await storeRevision(trx, this.settings.site, stored, by);
    return { receiptId: row.id, revision, status };
  }

  private async stored(
    trx: Trx,
    receipts: readonly ChangedReceipt[],
    by: By,
  ): Promise<ChangeResult> {
    for (const { receiptId } of receipts) await this.settings.evaluate(trx, receiptId, by.now);
    return { ok: true, receipts };
  }

  /**
   * As `stored`, for receipts that go on from others. They get what was scanned for them before, and that may speak against
   * what began anew from those; and a review of what goes with a container is void behind it, also where it refused another.
   * `prepare` has locked them, but for what came since.
   */
  private async divided(
    trx: Trx,
    receipts: readonly ChangedReceipt[],
    by: By,
  ): Promise<ChangeResult> {
    const { site } = this.settings.site;
    const ids = new Set(receipts.map(({ receiptId }) => receiptId));
    const others = new Set([
      ...(await receiptsComingOf(trx, site, [...ids])),
      ...(await receiptsRefusedBeside(trx, site, ids)),
    ]);
    for (const id of ids) others.delete(id);
    await lockReceipts(trx, site, others);
    const changed = await this.stored(trx, receipts, by);
    for (const id of others) await this.settings.evaluate(trx, id, by.now);
    return changed;
  }
}

/** Without a plan there is nothing that could be too loose: the site's rule is looked up again. */
function isStricterPart({ before: { plan: a } }: Found, { before: { plan: b } }: Found): boolean {
  if (a === null || b === null) return a === null && b !== null;
  return isStricter(a, b);
}

function strictestFurther(parts: readonly Found[]): FurtherRule {
  return parts
    .map(({ before }) => before.plan?.afterFailure ?? 'every')
    .reduce((a, b) => (asksFurther(b, a) ? b : a));
}

const NONE: ReadonlySet<string> = new Set();

function invalid(detail: string): { readonly ok: false } & ChangeFault {
  return { ok: false, code: 'receipt-change-invalid', detail };
}

/** What speaks against a receipt that is about to be split, and goes along with its results. */
async function stoodBefore(trx: Trx, site: string, receiptId: string) {
  const { contrary } = await leftBehind(trx, site, receiptId);
  return {
    disagreed: await hasDisagreement(trx, site, receiptId),
    hadContrary: contrary.length > 0,
    wentAlong: (await resultsAgainst(trx, site, [receiptId])).map(({ id }) => id),
  };
}
