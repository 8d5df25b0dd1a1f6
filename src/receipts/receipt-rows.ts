import { canonicalDigest } from '../formats/canonical-json.js';
import type { ContainerRow, ReceiptRow } from '../storage/tables.js';
import type { ReceiptAttributePlan } from './attribute-inspection.js';
import type { ReceiptLine } from './expectation-line.js';
import { containerKey } from './label.js';
import type { SamplingPlan } from './sampling-plan.js';

/** What a receipt revision keeps: the words announced and what is in force after them. */
export interface RevisionDocument {
  readonly announced: ReceiptLine;
  readonly inForce: ReceiptLine;
  /** What the announcement would have eased and what stays in force instead. */
  readonly keptBack: readonly string[];
  readonly plan: SamplingPlan | null;
  /** Inspections of labels and damage; left out where none is asked for. */
  readonly attributePlans?: readonly ReceiptAttributePlan[];
}

/** Row of a receipt that nobody announced yet. */
export function emptyReceipt(site: string, id: string, scanText: string): ReceiptRow {
  return {
    id,
    site,
    announced: 0,
    receipt_number: null,
    line: null,
    material: null,
    manufacturer: null,
    supplier: null,
    supplier_lot: null,
    site_lot: null,
    quantity: null,
    area: null,
    received_at: null,
    dock_count: null,
    counted_by: null,
    retest_at: null,
    scan_text: scanText,
    plan: null,
    attribute_plans: null,
    revision: 0,
    facts_version: 0,
    evaluation_due: 0,
    revision_floor: 0,
    held_permission: 0,
    status: 'open',
    linked: 0,
    by_hand: null,
  };
}

export function receiptColumns(
  line: ReceiptLine,
  { plan, attributePlans }: Pick<RevisionDocument, 'plan' | 'attributePlans'>,
  revision: number,
) {
  return {
    announced: 1,
    receipt_number: line.receiptNumber,
    line: line.line,
    material: line.material,
    manufacturer: line.manufacturer,
    supplier: line.supplier,
    supplier_lot: line.supplierLot,
    site_lot: line.siteLot,
    quantity: line.quantity,
    area: line.area,
    received_at: line.receivedAt,
    dock_count: line.dockCount,
    counted_by: line.countedBy,
    retest_at: line.retestAt,
    scan_text: line.scanText,
    plan: plan === null ? null : JSON.stringify(plan),
    attribute_plans: attributePlans === undefined ? null : JSON.stringify(attributePlans),
    revision,
    evaluation_due: 1,
    status: 'open',
  } as const;
}

/** `required` holds normalised labels. */
export function containerRows(
  site: string,
  line: ReceiptLine,
  required: ReadonlySet<string>,
): ContainerRow[] {
  return line.containers.map((label, position) => {
    const normalised = containerKey(label);
    return {
      site,
      receipt_id: line.receiptId,
      label,
      normalised,
      required: required.has(normalised) ? 1 : 0,
      position,
    };
  });
}

/** Short form for the trail; the whole line is in the receipt's revision, found by this digest. */
export function lineSummary(line: ReceiptLine, revision: number) {
  return { revision, containers: line.containers.length, digest: canonicalDigest(line) };
}
