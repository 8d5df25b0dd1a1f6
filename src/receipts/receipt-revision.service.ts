import { randomBytes } from 'node:crypto';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Reader, Trx } from '../storage/database.js';
import type { ReceiptStatus } from '../storage/tables.js';
import {
  attributePlansMember,
  carriedPlans,
  inspectionFact,
  planAttributes,
} from './attribute-inspection.js';
import { type PlannedContainers, planContainers } from './correct-expectation.js';
import type { ReceiptLine } from './expectation-line.js';
import { inspectionsOf } from './inspections.store.js';
import {
  containerRows,
  lineSummary,
  type RevisionDocument,
  receiptColumns,
} from './receipt-rows.js';
import {
  containersOf,
  insertReceiptRevision,
  latestAnnouncement,
  replaceContainers,
  updateReceipt,
} from './receipts.store.js';

export type ReceiptsSite = Pick<SiteFolder, 'site' | 'timeZone' | 'plans' | 'attributePlans'>;

/** Who changes a receipt, when, and by what. */
export interface By {
  readonly actor: Actor;
  readonly now: Instant;
  /** How it came, or the reason given. */
  readonly source: string;
  /** Printed name of a person who announces by hand; left out for systems. */
  readonly byHand?: string;
}

/** What is in force of a receipt: its latest revision and the containers its plan asks for. */
export type InForce = RevisionDocument & { readonly required: ReadonlySet<string> };

/** null when nobody announced it. */
export async function revisionInForce(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<InForce | null> {
  const text = await latestAnnouncement(reader, site, receiptId);
  if (text === null) return null;
  const rows = await containersOf(reader, site, receiptId);
  const required = new Set(rows.filter((c) => c.required === 1).map((c) => c.normalised));
  return { ...(JSON.parse(text) as RevisionDocument), required };
}

/** Plan and required containers of a line, see `planContainers`. */
export function planLine(
  site: ReceiptsSite,
  line: ReceiptLine,
  before: InForce | null,
  measured: boolean,
  now: Instant,
): PlannedContainers {
  return planContainers({
    rules: site.plans,
    line,
    before: before && {
      plan: before.plan,
      required: before.required,
      subject: before.inForce,
    },
    measured,
    // Not predictable before the receipt is announced, recorded with the plan afterwards.
    seed: randomBytes(16).toString('hex'),
    now,
  });
}

/** Inspections that a line is asked for, as a member of its document, see `planAttributes`. */
export async function planInspections(
  reader: Reader,
  site: ReceiptsSite,
  line: ReceiptLine,
  before: InForce | null,
  measured: boolean,
  now: Instant,
) {
  const plans = before?.attributePlans ?? [];
  const entries = plans.length === 0 ? [] : await inspectionsOf(reader, site.site, line.receiptId);
  const asked = planAttributes({
    rules: site.attributePlans ?? [],
    subject: line,
    before: before && { subject: before.inForce, plans },
    isUnderWay: measured || entries.length > 0,
    now,
  });
  // What these rejected stays so, whatever a later revision adds.
  const counted = entries.map(inspectionFact);
  return attributePlansMember(carriedPlans(line.receiptId, asked, line.containers.length, counted));
}

/** Inspections that what comes of a receipt is asked for, with what was rejected of it. */
export async function inspectionsCarried(reader: Reader, site: string, before: InForce) {
  const plans = before.attributePlans ?? [];
  if (plans.length === 0) return [];
  const { receiptId, containers } = before.inForce;
  const entries = await inspectionsOf(reader, site, receiptId);
  return carriedPlans(receiptId, plans, containers.length, entries.map(inspectionFact));
}

export interface RevisionToStore {
  readonly document: RevisionDocument;
  readonly planned: PlannedContainers;
  readonly revision: number;
  readonly before: ReceiptLine | null;
  /** Past tense of what was done; an announcement when left out. */
  readonly action?: string;
  readonly status?: ReceiptStatus;
  /** Who announced by hand what a new receipt goes on from; left out, a receipt keeps its own mark. */
  readonly handOf?: string | null;
}

/** Stores a revision of a receipt with its containers, its row and its entry of the trail; the receipt is locked. */
export async function storeRevision(
  trx: Trx,
  { site, timeZone }: ReceiptsSite,
  change: RevisionToStore,
  by: By,
): Promise<void> {
  const { document, planned, revision, before } = change;
  const { inForce: line, keptBack } = document;
  const columns = receiptColumns(line, document, revision);
  const status = change.status ?? 'open';
  // Other changes leave it as it is: the list is still the one that was announced.
  const byHand = change.action === undefined ? (by.byHand ?? null) : change.handOf;
  const announced = byHand === undefined ? {} : { by_hand: byHand };
  await updateReceipt(trx, site, line.receiptId, { ...columns, ...announced, status });
  // What a closed receipt listed went on with the receipts it became; its revisions keep the list.
  const isGone = status === 'split' || status === 'merged';
  const rows = isGone ? [] : containerRows(site, line, planned.required);
  await replaceContainers(trx, site, line.receiptId, rows);
  await insertReceiptRevision(trx, {
    site,
    receipt_id: line.receiptId,
    revision,
    document: JSON.stringify(document),
    source: by.source,
    actor: by.actor.name,
    at: by.now,
  });
  const kept = keptBack.slice(0, KEPT_BACK_NAMED_MAX).join('; ');
  await recordAudit(trx, {
    site,
    zone: timeZone,
    at: by.now,
    actor: by.actor,
    action: change.action ?? (before === null ? 'receipt.announced' : 'receipt.changed'),
    subjectKind: 'receipt',
    subjectId: line.receiptId,
    reason: keptBack.length > 0 ? `kept back: ${kept}` : by.source,
    ...(before === null ? {} : { before: lineSummary(before, revision - 1) }),
    after: { ...lineSummary(line, revision), ...(status === 'open' ? {} : { status }) },
  });
}

const KEPT_BACK_NAMED_MAX = 20;
