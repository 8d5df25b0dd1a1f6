import type { Actor } from '../audit/audit.store.js';
import { recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import type { ContainerRejectionRow, ReceiptLinkKind, ReceiptRow } from '../storage/tables.js';
import { findFaults } from './announcement-faults.store.js';
import { hasAttributions } from './attributions.store.js';
import { type Correction, correctStrictly, saysTheSame } from './correct-expectation.js';
import { drumsUnder, passDrumNumbers } from './drum-numbers.store.js';
import type { ExpectationFault, ReceiptLine } from './expectation-line.js';
import { lockReceipts, shareSiteEvidence, tellWaitingReceipts } from './facts.store.js';
import { takeOverHeld } from './held-elsewhere.store.js';
import { containerKey, drumNumber, normaliseLabel } from './label.js';
import { currentKey, isOfPart, keepsEvidence, relabelMap, scannedLabels } from './lineage.js';
import { linksTo, receiptsComingOf, receiptsGoingOn, relabelsOf } from './lineage.store.js';
import { type LinkedLabel, labelsElsewhere } from './linked-labels.js';
import { linkedLabels } from './linked-labels.store.js';
import { linkReceipts } from './receipt-links.service.js';
import {
  type By,
  type InForce,
  planInspections,
  planLine,
  type ReceiptsSite,
  revisionInForce,
  storeRevision,
} from './receipt-revision.service.js';
import { emptyReceipt } from './receipt-rows.js';
import {
  attributeResult,
  closeUnownedEvidence,
  dropScannedReceipt,
  ensureScannedReceipt,
  findReceipts,
  findReceiptsByScan,
  hasResults,
  insertReceipt,
  renameScannedReceipt,
  type ScannedResult,
  unownedResults,
  unplacedResults,
} from './receipts.store.js';
import { receiptsRefusedBeside } from './refused-beside.store.js';
import { rejectionsOf } from './rejections.store.js';

export interface ReceiptsSettings {
  readonly site: ReceiptsSite;
  /**
   * Evaluates a receipt's statement in the same transaction, so that a change of a conforming receipt
   * yields its stop there. Statements are a later stage, so the caller passes them in.
   */
  readonly evaluate: (trx: Trx, receiptId: string, now: Instant) => Promise<unknown>;
}

export interface AnnouncedLine {
  readonly receiptId: string;
  /** `completed`: a scan had named it before anybody announced it. */
  readonly outcome: 'new' | 'completed' | 'changed' | 'unchanged';
  readonly revision: number;
  /** Results measured before that now belong to this receipt, or to a container of it. */
  readonly linkedResults: number;
  readonly keptBack: readonly string[];
}

export type AnnounceResult =
  | { readonly ok: true; readonly lines: readonly AnnouncedLine[] }
  | { readonly ok: false; readonly faults: readonly ExpectationFault[] };

/** What the store holds of announced lines. */
export interface Known {
  readonly byId: ReadonlyMap<string, ReceiptRow>;
  readonly byScan: ReadonlyMap<string, ReceiptRow>;
  readonly faults: readonly ExpectationFault[];
}

/** A line that goes on from another receipt instead of being announced. */
export interface Derived {
  /** Whose plan and chosen containers it goes on from. */
  readonly basis: InForce;
  /** Past tense for the trail. */
  readonly action: string;
  /** Printed names of who announced by hand what it goes on from; null when systems did. */
  readonly handOf: string | null;
}

/** Results that scanned some receipt text and have no owner, by that text. */
export type Unowned = ReadonlyMap<string, readonly ScannedResult[]>;

/** Takes in what should have arrived: receipt lines and their containers. */
export class ReceiptsService {
  constructor(private readonly settings: ReceiptsSettings) {}

  /**
   * Announces receipt lines, all or none. A new line is stored; one that only a scan had named is
   * completed; a changed one gets a revision (the earlier ones stay); an unchanged one does nothing.
   * Results that scanned its text before are linked, evidence that waited for an owner is closed with
   * them, and every receipt touched is evaluated in this same transaction.
   *
   * Refused with faults, and nothing written, when a scan text already belongs to another receipt.
   */
  async announce(
    trx: Trx,
    lines: readonly ReceiptLine[],
    actor: Actor,
    now: Instant,
    source = 'expectation',
    byHand?: string,
  ): Promise<AnnounceResult> {
    const site = this.settings.site.site;
    const before = await this.known(trx, lines);
    if (before.faults.length > 0) return { ok: false, faults: before.faults };
    const { known, locked } = await this.lockLinked(trx, lines, before);
    const { byId, byScan, faults } = known;
    if (faults.length > 0) return { ok: false, faults };

    const by: By = { actor, now, source, ...(byHand === undefined ? {} : { byHand }) };
    const unowned = await this.unowned(trx);
    const done: AnnouncedLine[] = [];
    const touched = new Set<string>();
    for (const line of [...lines].sort((a, b) => (a.receiptId < b.receiptId ? -1 : 1))) {
      const holder = byScan.get(line.scanText) ?? null;
      if (byId.has(line.receiptId)) done.push(await this.change(trx, line, holder, unowned, by));
      else {
        const added = await this.add(trx, line, holder, unowned, by);
        done.push({ ...added, outcome: before.byScan.has(line.scanText) ? 'completed' : 'new' });
      }
      if (done.at(-1)?.outcome === 'unchanged') continue;
      touched.add(line.receiptId);
      for (const id of await this.linkOrigin(trx, line, by)) touched.add(id);
    }
    if (done.some((d) => d.linkedResults > 0)) await tellWaitingReceipts(trx, site);
    const changed = done.filter((d) => d.outcome !== 'unchanged').map((d) => d.receiptId);
    // What is given to them, or said of them now, may speak against what came of them as well.
    for (const id of await receiptsComingOf(trx, site, changed)) touched.add(id);
    for (const id of await receiptsRefusedBeside(trx, site, changed)) touched.add(id);
    // What came since, or was not there to be found, is locked late: in the worst case the transaction is run again.
    await lockReceipts(
      trx,
      site,
      [...touched].filter((id) => !locked.has(id)),
    );
    for (const id of [...touched].sort()) await this.settings.evaluate(trx, id, now);
    return { ok: true, lines: done };
  }

  /** Looks up lines that go on `from` receipts, locks what they touch, and looks again. Nothing is changed. */
  async prepare(trx: Trx, lines: readonly ReceiptLine[], from: readonly string[]): Promise<Known> {
    const before = await this.known(trx, lines, from);
    if (before.faults.length > 0) return before;
    const { site } = this.settings.site;
    const coming = await receiptsComingOf(trx, site, from);
    const beside = await receiptsRefusedBeside(trx, site, from);
    return this.lockAll(trx, lines, before, [...from, ...coming, ...beside], from);
  }

  /**
   * Results that no receipt has yet, behind the receipts' locks: giving one to a receipt takes a share of the site's
   * evidence before its row, as everything does that changes such a result.
   */
  async unowned(trx: Trx): Promise<Unowned> {
    await shareSiteEvidence(trx, this.settings.site.site);
    return byScanText(await unownedResults(trx, this.settings.site.site));
  }

  private async known(
    trx: Trx,
    lines: readonly ReceiptLine[],
    from: readonly string[] = [],
  ): Promise<Known> {
    const { site } = this.settings.site;
    const ids = lines.map((l) => l.receiptId);
    const byId = await findReceipts(trx, site, ids);
    const texts = lines.map((l) => l.scanText);
    const byScan = await findReceiptsByScan(trx, site, texts);
    const faults = lines.flatMap((line) => scanTextFault(line, byScan.get(line.scanText)));
    return {
      byId,
      byScan,
      faults: [...faults, ...(await findFaults(trx, site, lines, { byId, from }))],
    };
  }

  /**
   * Locks every receipt that the lines are or complete, in order, and reads again what is known of them: a bundle
   * that scans one of these texts is settled before or after this, never beside it. A text that nobody named gets
   * its row first, so that there is something to lock. Where one process owns the file that is so already.
   */
  private async lockAll(
    trx: Trx,
    lines: readonly ReceiptLine[],
    before: Known,
    also: readonly string[],
    from: readonly string[] = [],
  ): Promise<Known> {
    const { site } = this.settings.site;
    if (!dialectOf(trx).isShared) {
      await lockReceipts(trx, site, also);
      return before;
    }
    const unnamed = lines.map((l) => l.scanText).filter((text) => !before.byScan.has(text));
    for (const text of unnamed.sort()) await ensureScannedReceipt(trx, site, text);
    const locked = new Set<string>();
    for (;;) {
      const known = await this.known(trx, lines, from);
      const missing = [
        ...also,
        ...[...known.byId.values(), ...known.byScan.values()].map((r) => r.id),
      ].filter((id) => !locked.has(id));
      if (missing.length === 0) return known;
      await lockReceipts(trx, site, missing);
      for (const id of missing) locked.add(id);
    }
  }

  /**
   * As `lockAll`, and whatever the lines bear on besides: what came of them, which gets what they get; where they name a
   * source, that and what went on from it; and what lists the same drum by its serial number, or one that was scanned with the
   * text of a line. Of all these something may be known that speaks against the line, or the line may bring it. And whose
   * results were refused beside theirs, since a changed line makes the signature void.
   */
  private async lockLinked(
    trx: Trx,
    lines: readonly ReceiptLine[],
    before: Known,
  ): Promise<{ readonly known: Known; readonly locked: ReadonlySet<string> }> {
    const { site } = this.settings.site;
    const linked = new Set<string>();
    const ids = lines.map(({ receiptId }) => receiptId);
    const sources = new Set(lines.flatMap(({ comesFrom }) => comesFrom?.receiptId ?? []));
    const find = async () => {
      // A fail that comes to one of those meanwhile is seen here, or sees this.
      const numbers = await this.numbersOf(trx, lines);
      for (const id of await receiptsComingOf(trx, site, ids, numbers)) linked.add(id);
      for (const id of await receiptsRefusedBeside(trx, site, ids)) linked.add(id);
      for (const source of sources) {
        linked.add(source);
        for (const id of await receiptsGoingOn(trx, site, source)) linked.add(id);
      }
      return linked.size;
    };
    for (let size = await find(); ; ) {
      const known = await this.lockAll(trx, lines, before, [...linked]);
      // What was waited for may have divided one of them.
      const now = await find();
      if (now === size) {
        const own = [...known.byId.values(), ...known.byScan.values()].map((row) => row.id);
        return { known, locked: new Set([...linked, ...ids, ...own]) };
      }
      size = now;
    }
  }

  /** Numbers of the drums that lines list, bring along from where they come from, or get results of. */
  private async numbersOf(trx: Trx, lines: readonly ReceiptLine[]): Promise<Set<string>> {
    const { site } = this.settings.site;
    const numbers = new Set<string>();
    for (const { containers, comesFrom } of lines) {
      for (const label of containers) addNumber(numbers, label);
      if (comesFrom === undefined || comesFrom.as === 'repacked') continue;
      const { receiptId: source } = comesFrom;
      const keys = containers.map(containerKey);
      for (const place of [source, ...(await receiptsGoingOn(trx, site, source))]) {
        for (const drum of await drumsUnder(trx, site, place, keys)) numbers.add(drum.number);
      }
    }
    // Where one process owns the file there is nothing to lock for them.
    if (!dialectOf(trx).isShared) return numbers;
    const unowned = byScanText(await unownedResults(trx, site));
    for (const { scanText } of lines) {
      for (const result of unowned.get(scanText) ?? []) {
        addNumber(numbers, result.container_scanned ?? '');
      }
    }
    return numbers;
  }

  /** Stores a line that no announcement named before, or that goes on from another receipt. */
  async add(
    trx: Trx,
    line: ReceiptLine,
    scanned: ReceiptRow | null,
    unowned: Unowned,
    by: By,
    derived?: Derived,
  ): Promise<Omit<AnnouncedLine, 'outcome'>> {
    const { site } = this.settings.site;
    if (scanned) await renameScannedReceipt(trx, site, scanned.id, line.receiptId);
    else await insertReceipt(trx, emptyReceipt(site, line.receiptId, line.scanText));
    await lockReceipts(trx, site, [line.receiptId]);
    await takeOverHeld(trx, { site, receiptId: line.receiptId });
    const isMeasured = derived !== undefined;
    const planned = planLine(this.settings.site, line, derived?.basis ?? null, isMeasured, by.now);
    const basis = derived?.basis ?? null;
    const document = {
      announced: line,
      inForce: line,
      keptBack: [],
      plan: planned.plan,
      ...(await planInspections(trx, this.settings.site, line, basis, isMeasured, by.now)),
    };
    const revision = { document, planned, revision: 1, before: null };
    const action = derived ? { action: derived.action, handOf: derived.handOf } : {};
    await storeRevision(trx, this.settings.site, { ...revision, ...action }, by);
    return {
      receiptId: line.receiptId,
      revision: 1,
      linkedResults: await this.link(trx, line, unowned, by),
      keptBack: [],
    };
  }

  private async change(
    trx: Trx,
    line: ReceiptLine,
    holder: ReceiptRow | null,
    unowned: Unowned,
    by: By,
  ): Promise<AnnouncedLine> {
    const { site } = this.settings.site;
    const { receiptId } = line;
    await lockReceipts(trx, site, [receiptId]);
    const row = (await findReceipts(trx, site, [receiptId])).get(receiptId);
    const before = await revisionInForce(trx, site, receiptId);
    if (!row || before === null) throw new Error(`receipt ${receiptId} has no announcement`);
    // Somebody's word that a result is or was of it counts like the result, and so does a container's rejection.
    const rejections = await rejectionsOf(trx, site, receiptId);
    const measured =
      (await hasResults(trx, site, receiptId)) ||
      (await hasAttributions(trx, site, receiptId)) ||
      rejections.length > 0;
    const next = relabelMap(await relabelsOf(trx, site, [receiptId]));
    const here = withoutSplitOff(line, next, rejections);
    const linked =
      row.linked === 1 ? (await linkedLabels(trx, site, receiptId, keepsEvidence)).labels : [];
    const own = withoutElsewhere(here.line, before.inForce, next, linked);
    const printed = asPrinted(own.line, before.inForce, next);
    const correction = measured
      ? correctStrictly(before.inForce, printed)
      : { line: printed, keptBack: [] };
    const planned = planLine(this.settings.site, correction.line, before, measured, by.now);
    // A receipt announced while no plan was in force takes one up when it is announced again.
    const planFound = before.plan === null && planned.plan !== null && row.status === 'open';
    const isAsBefore = saysTheSame(before.announced, line);
    // Said again word for word, a cancelled receipt stays cancelled: lists are sent every day.
    if (isAsBefore && !planFound) {
      const { revision } = row;
      return { receiptId, outcome: 'unchanged', revision, linkedResults: 0, keptBack: [] };
    }
    const inForce = correction.line;
    if (holder?.announced === 0 && inForce.scanText === holder.scan_text) {
      await dropScannedReceipt(trx, site, holder.id);
    }
    const revision = row.revision + 1;
    const keptBack = [...here.keptBack, ...own.keptBack, ...correction.keptBack];
    const document = {
      announced: line,
      inForce,
      keptBack,
      plan: planned.plan,
      ...(await planInspections(trx, this.settings.site, inForce, before, measured, by.now)),
    };
    const stored = { document, planned, revision, before: before.inForce };
    await storeRevision(trx, this.settings.site, stored, by);
    return {
      receiptId,
      outcome: 'changed',
      revision,
      linkedResults: await this.link(trx, inForce, unowned, by),
      keptBack,
    };
  }

  /** Points a returned, opened or repacked receipt back to where its containers came from; receipts that it bears on. */
  private async linkOrigin(trx: Trx, line: ReceiptLine, by: By): Promise<readonly string[]> {
    const { comesFrom, receiptId } = line;
    if (comesFrom === undefined) return [];
    const { site } = this.settings.site;
    const parts = await receiptsGoingOn(trx, site, comesFrom.receiptId);
    await this.passNumbers(trx, line, comesFrom.as, [comesFrom.receiptId, ...parts]);
    const held = await linksTo(trx, site, receiptId);
    // One that it knows by way of a part only says less than the source itself.
    if (held.some((link) => link.from_receipt === comesFrom.receiptId && !isOfPart(link))) {
      // The line may list more of its containers than before.
      return [comesFrom.receiptId, ...parts];
    }
    // What it is judged by is what its source is now.
    await this.settings.evaluate(trx, comesFrom.receiptId, by.now);
    const further = await linkReceipts(
      trx,
      site,
      {
        kind: comesFrom.as,
        from: comesFrom.receiptId,
        to: receiptId,
        containers: line.containers.map(containerKey),
        reason: by.source,
      },
      by,
    );
    return [comesFrom.receiptId, ...parts, ...further];
  }

  /** A container that came under its own label is the one that its source lists by it, with every number it carried there. */
  private async passNumbers(
    trx: Trx,
    { receiptId, containers }: ReceiptLine,
    as: ReceiptLinkKind,
    places: readonly string[],
  ): Promise<void> {
    if (as === 'repacked') return;
    const keys = containers.map(containerKey);
    for (const from of places) {
      await passDrumNumbers(trx, this.settings.site.site, { from, to: receiptId, keys });
    }
  }

  /** Links results that scanned the receipt before it was known, or a container before it was listed. */
  async link(trx: Trx, line: ReceiptLine, unowned: Unowned, by: By): Promise<number> {
    const { site, timeZone } = this.settings.site;
    const printed = new Map(line.containers.map((label) => [containerKey(label), label]));
    const labels = scannedLabels(printed, await relabelsOf(trx, site, [line.receiptId]));
    const labelOf = (r: ScannedResult) =>
      labels.get(containerKey(r.container_scanned ?? '')) ?? null;
    const mine = unowned.get(line.scanText) ?? [];
    const placed = (await unplacedResults(trx, site, line.receiptId)).filter((r) => labelOf(r));
    const unplaced = new Set(placed.map((result) => result.id));
    for (const result of [...mine, ...placed]) {
      const containerLabel = labelOf(result);
      await attributeResult(trx, site, result.id, { receiptId: line.receiptId, containerLabel });
      const evidence = `receipt ${line.receiptId} was announced`;
      const closed = await closeUnownedEvidence(trx, site, result.id, {
        evidence,
        placed: containerLabel !== null,
        now: by.now,
      });
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
      await recordAudit(trx, {
        site,
        zone: timeZone,
        at: by.now,
        actor: by.actor,
        action: 'result.attributed',
        subjectKind: 'result',
        subjectId: result.id,
        reason: evidence,
        before: {
          receiptId: unplaced.has(result.id) ? line.receiptId : null,
          containerLabel: null,
        },
        after: { receiptId: line.receiptId, containerLabel },
      });
    }
    return mine.length + placed.length;
  }
}

/** The line with the labels its containers carry now: who announces may know only the earlier prints. */
function asPrinted(
  line: ReceiptLine,
  inForce: ReceiptLine,
  next: ReadonlyMap<string, string>,
): ReceiptLine {
  const printed = new Map(inForce.containers.map((label) => [containerKey(label), label]));
  const containers = line.containers.map((label) => {
    const key = containerKey(label);
    return next.has(key) ? (printed.get(currentKey(next, key)) ?? label) : label;
  });
  return { ...line, containers };
}

/**
 * The line without the rejected containers that ERP split off (rule 16). A list that still names them says what was
 * delivered, and so does its count: listed again, one that the plan does not choose would be released with the rest.
 */
function withoutSplitOff(
  line: ReceiptLine,
  next: ReadonlyMap<string, string>,
  rejections: readonly ContainerRejectionRow[],
): Correction {
  const goneTo = new Map(rejections.map((r) => [r.container_key, r.split_off_to]));
  const keptBack: string[] = [];
  const containers = line.containers.filter((label) => {
    const to = goneTo.get(currentKey(next, containerKey(label))) ?? null;
    if (to !== null) keptBack.push(`container "${label}" was split off to ${to} and stays there`);
    return to === null;
  });
  const dockCount = line.dockCount === null ? null : Math.max(0, line.dockCount - keptBack.length);
  return { line: { ...line, containers, dockCount }, keptBack };
}

/**
 * The line without added containers whose label one has or had that went on elsewhere with its evidence: that one may
 * still be scanned as one of this receipt. Whoever counted them counted something that is not sure to be here.
 */
function withoutElsewhere(
  line: ReceiptLine,
  inForce: ReceiptLine,
  next: ReadonlyMap<string, string>,
  linked: readonly LinkedLabel[],
): Correction {
  const held = new Set(inForce.containers.map(containerKey));
  const added = line.containers.filter((label) => !held.has(currentKey(next, containerKey(label))));
  const elsewhere = labelsElsewhere(linked, added);
  const keptBack = [...elsewhere].map(
    ([key, to]) => `container "${key}" is not added: receipt ${to} has or had one of that label`,
  );
  const containers = line.containers.filter((label) => !elsewhere.has(containerKey(label)));
  return { line: { ...line, containers }, keptBack };
}

function addNumber(numbers: Set<string>, label: string): void {
  const number = drumNumber(label);
  if (number !== null) numbers.add(number);
}

function byScanText(results: readonly ScannedResult[]): Map<string, ScannedResult[]> {
  const grouped = new Map<string, ScannedResult[]>();
  for (const result of results) {
    const text = normaliseLabel(result.receipt_scanned ?? '');
    if (text === '') continue;
    const held = grouped.get(text);
    if (held) held.push(result);
    else grouped.set(text, [result]);
  }
  return grouped;
}

function scanTextFault(line: ReceiptLine, holder: ReceiptRow | undefined): ExpectationFault[] {
  if (!holder || holder.announced === 0 || holder.id === line.receiptId) return [];
  return [
    {
      line: 0,
      column: 'scan_text',
      rule: 'scan-text-taken',
      message: `scan text "${line.scanText}" of receipt ${line.receiptId} already belongs to receipt ${holder.id}`,
      remedy: 'Give every receipt line a scan text that no other shows.',
    },
  ];
}
