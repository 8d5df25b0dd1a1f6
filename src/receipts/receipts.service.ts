import { randomBytes } from 'node:crypto';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import type { ReceiptRow } from '../storage/tables.js';
import {
  correctStrictly,
  type PlannedContainers,
  planContainers,
  saysTheSame,
} from './correct-expectation.js';
import type { ExpectationFault, ReceiptLine } from './expectation-line.js';
import { lockReceipts, tellWaitingReceipts } from './facts.store.js';
import { containerKey, normaliseLabel } from './label.js';
import {
  containerRows,
  emptyReceipt,
  lineSummary,
  type RevisionDocument,
  receiptColumns,
} from './receipt-rows.js';
import {
  attributeResult,
  closeUnownedEvidence,
  containersOf,
  dropScannedReceipt,
  ensureScannedReceipt,
  findReceipts,
  findReceiptsByScan,
  hasResults,
  insertReceipt,
  insertReceiptRevision,
  latestAnnouncement,
  renameScannedReceipt,
  replaceContainers,
  type ScannedResult,
  unownedResults,
  unplacedResults,
  updateReceipt,
} from './receipts.store.js';

export interface ReceiptsSettings {
  readonly site: Pick<SiteFolder, 'site' | 'timeZone' | 'plans'>;
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

interface By {
  readonly actor: Actor;
  readonly now: Instant;
  readonly source: string;
}

/** What the store holds of announced lines. */
interface Known {
  readonly byId: ReadonlyMap<string, ReceiptRow>;
  readonly byScan: ReadonlyMap<string, ReceiptRow>;
  readonly faults: readonly ExpectationFault[];
}

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
  ): Promise<AnnounceResult> {
    const site = this.settings.site.site;
    const before = await this.known(trx, lines);
    if (before.faults.length > 0) return { ok: false, faults: before.faults };
    const { byId, byScan, faults } = await this.lockAll(trx, lines, before);
    if (faults.length > 0) return { ok: false, faults };

    const by: By = { actor, now, source };
    const unowned = byScanText(await unownedResults(trx, site));
    const done: AnnouncedLine[] = [];
    for (const line of [...lines].sort((a, b) => (a.receiptId < b.receiptId ? -1 : 1))) {
      const holder = byScan.get(line.scanText) ?? null;
      if (byId.has(line.receiptId)) {
        done.push(await this.change(trx, line, holder, unowned, by));
        continue;
      }
      const added = await this.add(trx, line, holder, unowned, by);
      done.push({ ...added, outcome: before.byScan.has(line.scanText) ? 'completed' : 'new' });
    }
    if (done.some((d) => d.linkedResults > 0)) await tellWaitingReceipts(trx, site);
    for (const line of done) {
      if (line.outcome !== 'unchanged') await this.settings.evaluate(trx, line.receiptId, now);
    }
    return { ok: true, lines: done };
  }

  private async known(trx: Trx, lines: readonly ReceiptLine[]): Promise<Known> {
    const { site } = this.settings.site;
    const ids = lines.map((l) => l.receiptId);
    const byId = await findReceipts(trx, site, ids);
    const texts = lines.map((l) => l.scanText);
    const byScan = await findReceiptsByScan(trx, site, texts);
    const faults = lines.flatMap((line) => scanTextFault(line, byScan.get(line.scanText)));
    return { byId, byScan, faults };
  }

  /**
   * Locks every receipt that the lines are or complete, in order, and reads again what is known of them: a bundle
   * that scans one of these texts is settled before or after this, never beside it. A text that nobody named gets
   * its row first, so that there is something to lock. Where one process owns the file that is so already.
   */
  private async lockAll(trx: Trx, lines: readonly ReceiptLine[], before: Known): Promise<Known> {
    if (!dialectOf(trx).isShared) return before;
    const { site } = this.settings.site;
    const unnamed = lines.map((l) => l.scanText).filter((text) => !before.byScan.has(text));
    for (const text of unnamed.sort()) await ensureScannedReceipt(trx, site, text);
    const locked = new Set<string>();
    for (;;) {
      const known = await this.known(trx, lines);
      const missing = [...known.byId.values(), ...known.byScan.values()]
        .map(({ id }) => id)
        .filter((id) => !locked.has(id));
      if (missing.length === 0) return known;
      await lockReceipts(trx, site, missing);
      for (const id of missing) locked.add(id);
    }
  }

  private async add(
    trx: Trx,
    line: ReceiptLine,
    scanned: ReceiptRow | null,
    unowned: ReadonlyMap<string, readonly ScannedResult[]>,
    by: By,
  ): Promise<Omit<AnnouncedLine, 'outcome'>> {
    const site = this.settings.site.site;
    if (scanned) await renameScannedReceipt(trx, site, scanned.id, line.receiptId);
    else await insertReceipt(trx, emptyReceipt(site, line.receiptId, line.scanText));
    await lockReceipts(trx, site, [line.receiptId]);
    const planned = this.plan(line, null, false, by.now);
    const document = { announced: line, inForce: line, keptBack: [], plan: planned.plan };
    await this.store(trx, { document, planned, revision: 1, before: null }, by);
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
    unowned: ReadonlyMap<string, readonly ScannedResult[]>,
    by: By,
  ): Promise<AnnouncedLine> {
    const site = this.settings.site.site;
    await lockReceipts(trx, site, [line.receiptId]);
    const row = (await findReceipts(trx, site, [line.receiptId])).get(line.receiptId);
    const text = await latestAnnouncement(trx, site, line.receiptId);
    if (!row || text === null) throw new Error(`receipt ${line.receiptId} has no announcement`);
    const before = JSON.parse(text) as RevisionDocument;
    const measured = await hasResults(trx, site, line.receiptId);
    const correction = measured ? correctStrictly(before.inForce, line) : { line, keptBack: [] };
    const planned = await this.planAgain(trx, correction.line, before, measured, by.now);
    // A receipt announced while no plan was in force takes one up when it is announced again.
    const planFound = before.plan === null && planned.plan !== null;
    if (saysTheSame(before.announced, line) && !planFound) {
      const { receiptId } = line;
      return {
        receiptId,
        outcome: 'unchanged',
        revision: row.revision,
        linkedResults: 0,
        keptBack: [],
      };
    }
    const inForce = correction.line;
    if (holder?.announced === 0 && inForce.scanText === holder.scan_text) {
      await dropScannedReceipt(trx, site, holder.id);
    }
    const revision = row.revision + 1;
    const { keptBack } = correction;
    const document = { announced: line, inForce, keptBack, plan: planned.plan };
    await this.store(trx, { document, planned, revision, before: before.inForce }, by);
    return {
      receiptId: line.receiptId,
      outcome: 'changed',
      revision,
      linkedResults: await this.link(trx, inForce, unowned, by),
      keptBack,
    };
  }

  private async planAgain(
    trx: Trx,
    line: ReceiptLine,
    before: RevisionDocument,
    measured: boolean,
    now: Instant,
  ): Promise<PlannedContainers> {
    const rows = await containersOf(trx, this.settings.site.site, line.receiptId);
    const required = new Set(rows.filter((c) => c.required === 1).map((c) => c.normalised));
    return this.plan(line, { ...before, required }, measured, now);
  }

  private plan(
    line: ReceiptLine,
    before: (RevisionDocument & { readonly required: ReadonlySet<string> }) | null,
    measured: boolean,
    now: Instant,
  ): PlannedContainers {
    return planContainers({
      rules: this.settings.site.plans,
      line,
      before: before
        ? { plan: before.plan, required: before.required, subject: before.inForce }
        : null,
      measured,
      // Not predictable before the receipt is announced, recorded with the plan afterwards.
      seed: randomBytes(16).toString('hex'),
      now,
    });
  }

  private async store(
    trx: Trx,
    change: {
      readonly document: RevisionDocument;
      readonly planned: PlannedContainers;
      readonly revision: number;
      readonly before: ReceiptLine | null;
    },
    by: By,
  ): Promise<void> {
    const { site, timeZone } = this.settings.site;
    const { document, planned, revision, before } = change;
    const { inForce: line, keptBack } = document;
    await updateReceipt(trx, site, line.receiptId, receiptColumns(line, planned.plan, revision));
    await replaceContainers(trx, site, line.receiptId, containerRows(site, line, planned.required));
    await insertReceiptRevision(trx, {
      site,
      receipt_id: line.receiptId,
      revision,
      document: JSON.stringify(document),
      source: by.source,
      actor: by.actor.name,
      at: by.now,
    });
    await recordAudit(trx, {
      site,
      zone: timeZone,
      at: by.now,
      actor: by.actor,
      action: before === null ? 'receipt.announced' : 'receipt.changed',
      subjectKind: 'receipt',
      subjectId: line.receiptId,
      reason: keptBack.length > 0 ? `kept back: ${keptBack.slice(0, 20).join('; ')}` : by.source,
      ...(before === null ? {} : { before: lineSummary(before, revision - 1) }),
      after: lineSummary(line, revision),
    });
  }

  /** Links results that scanned the receipt before it was known, or a container before it was listed. */
  private async link(
    trx: Trx,
    line: ReceiptLine,
    unowned: ReadonlyMap<string, readonly ScannedResult[]>,
    by: By,
  ): Promise<number> {
    const { site, timeZone } = this.settings.site;
    const labels = new Map(line.containers.map((label) => [containerKey(label), label]));
    const labelOf = (r: ScannedResult) =>
      labels.get(containerKey(r.container_scanned ?? '')) ?? null;
    const mine = unowned.get(line.scanText) ?? [];
    const placed = (await unplacedResults(trx, site, line.receiptId)).filter((r) => labelOf(r));
    const unplaced = new Set(placed.map((result) => result.id));
    for (const result of [...mine, ...placed]) {
      const containerLabel = labelOf(result);
      await attributeResult(trx, site, result.id, { receiptId: line.receiptId, containerLabel });
      await closeUnownedEvidence(trx, site, result.id, {
        evidence: `receipt ${line.receiptId} was announced`,
        placed: containerLabel !== null,
        now: by.now,
      });
      await recordAudit(trx, {
        site,
        zone: timeZone,
        at: by.now,
        actor: by.actor,
        action: 'result.attributed',
        subjectKind: 'result',
        subjectId: result.id,
        reason: `receipt ${line.receiptId} was announced`,
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
