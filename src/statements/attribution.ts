import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import { normaliseLabel } from '../receipts/label.js';
import { doesDisagree } from '../receipts/lineage.js';
import { type ShownDocument, type Validity, validityOf } from '../signatures/shown-document.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import { DECISIONS, isContrary } from '../site/vocabulary.js';
import type { AttributionRow, ReceiptRow } from '../storage/tables.js';
import type { ReviewOption } from './review-option.js';
import { expectedOf, type ReviewedRow } from './reviewed-record.js';

/** Discrepancies that a proposal opens: at the receipt a result is said not to be of, and at the other. */
export function proposalSubjects(attributionId: string): readonly [from: string, to: string] {
  return [`attribution:${attributionId}:from`, `attribution:${attributionId}:to`];
}

export type AttributionAct = 'attribute' | 'decline';

/** What a person read off the labels, and who that was. */
export interface LabelEvidence {
  readonly receipt: string;
  readonly container: string;
  /** null where no lot was read. */
  readonly lot: string | null;
  readonly seenBy: string;
}

/** The receipt a result is said to be of, as it is now. */
export interface AttributionTarget {
  readonly receipt: ReceiptRow;
  /** Texts its labels may show: its own, and those of receipts it was split off or merged from. */
  readonly scanTexts: readonly string[];
  /** Label of the listed container that the container as seen leads to; null when none does. */
  readonly label: string | null;
}

/** A proposed attribution with everything that bears on signing it, as of now. */
export interface AttributionCase {
  readonly row: AttributionRow;
  readonly result: ReviewedRow;
  /** null when nobody announced the receipt. */
  readonly target: AttributionTarget | null;
  /** Of the attribution that was signed last, whatever it says; null when none was. */
  readonly inForce: Validity | null;
  /** Other proposals about the same result that wait. */
  readonly others: readonly AttributionRow[];
  /** Destinations that hold the result as it is now, or may hold it. */
  readonly heldAt: readonly string[];
  /** Those of them that cannot be told a withdrawal. */
  readonly cannotWithdraw: readonly string[];
  /** Destinations that results are sent to. */
  readonly sentTo: readonly string[];
}

/** The proposal is what is signed: its own subject, whatever else is proposed about the result. */
export function attributionSubject(row: Pick<AttributionRow, 'id'>): SignatureSubject {
  return { kind: 'attribution', id: row.id, revision: 1 };
}

/** True when a result speaks against a receipt of this material, so that it counts there at once. */
export function speaksAgainst(
  result: Pick<ReviewedRow, 'contrary' | 'recheck' | 'decision' | 'matched_material'>,
  material: string | null,
): boolean {
  const decision = DECISIONS.find((d) => d === result.decision);
  return (
    result.contrary === 1 ||
    doesDisagree(result.recheck) ||
    (decision !== undefined && isContrary(decision, result.matched_material, material))
  );
}

/** What stands against these labels being those of a listed container; empty when nothing does. */
export function evidenceFaults(
  result: Pick<ReviewedRow, 'lot' | 'operator_id'>,
  receiptId: string,
  target: AttributionTarget | null,
  seen: LabelEvidence,
): string[] {
  if (target === null) return [`nobody announced receipt ${receiptId}`];
  const { receipt, scanTexts, label } = target;
  const faults: string[] = [];
  if (receipt.status !== 'open') faults.push(`receipt ${receiptId} was ${receipt.status}`);
  if (!scanTexts.includes(normaliseLabel(seen.receipt))) {
    faults.push(`the label shows receipt "${seen.receipt}", ${receiptId} shows "${scanTexts[0]}"`);
  }
  if (label === null) {
    faults.push(`receipt ${receiptId} lists no container "${seen.container}"`);
  }
  const lots = [receipt.supplier_lot, receipt.site_lot]
    .filter((lot) => lot !== null)
    .map(normaliseLabel);
  if (seen.lot !== null && lots.length > 0 && !lots.includes(normaliseLabel(seen.lot))) {
    faults.push(`the label shows lot "${seen.lot}", the receipt has ${lots.join(' and ')}`);
  }
  if (seen.lot === null && result.lot !== null && !lots.includes(normaliseLabel(result.lot))) {
    faults.push(`the result names lot ${result.lot}: say which lot the label shows`);
  }
  return faults;
}

export type AttributionOptions = Readonly<Record<AttributionAct, ReviewOption>>;

/** What a second person may do about a proposal. */
export function attributionOptions(about: AttributionCase): AttributionOptions {
  const decided = about.row.state === 'open' ? [] : [`it was ${about.row.state}`];
  const against = [...decided, ...againstSigning(about)];
  const option = (because: readonly string[], effects: readonly string[]) => ({
    possible: because.length === 0,
    because,
    effects: because.length === 0 ? effects : [],
  });
  return {
    attribute: option(against, attributeEffects(about)),
    decline: option(decided, declineEffects(about)),
  };
}

/** True when the result would get another place; a void attribution may be signed again as it is. */
export function isMove({ row, result }: Pick<AttributionCase, 'row' | 'result'>): boolean {
  return row.to_receipt !== result.receipt_id || row.to_label !== result.container_label;
}

function againstSigning(about: AttributionCase): string[] {
  const { row, result, target } = about;
  const against = evidenceFaults(result, row.to_receipt, target, evidenceOf(row));
  if (target !== null && target.label !== null && target.label !== row.to_label) {
    against.push(`container "${row.to_label}" bears another label now; propose it again`);
  }
  if (!isMove(about) && about.inForce?.kind !== 'void') {
    against.push(`it belongs to container ${row.to_label} of ${row.to_receipt} already`);
  }
  if (about.cannotWithdraw.length > 0) {
    const names = about.cannotWithdraw.join(' and ');
    against.push(`${names} holds it and its mapping has no withdrawal: it would stay under both`);
  }
  return against;
}

function attributeEffects(about: AttributionCase): string[] {
  const { row, result } = about;
  if (!isMove(about)) return ['it stays where it is, under a signature that is valid'];
  const contrary = result.contrary === 1;
  const from = result.receipt_id;
  const isSent = result.state === 'accepted' && about.sentTo.length > 0;
  return [
    `it is of container ${row.to_label} of receipt ${row.to_receipt}, at revision ${result.revision + 1}`,
    contrary
      ? `it stays contrary (${result.decision ?? 'unreadable'}) and counts against ${row.to_receipt}`
      : `it may cover there what it was measured for`,
    from === null
      ? 'the evidence without an owner has one'
      : contrary && from !== row.to_receipt
        ? `it no longer counts against ${from}`
        : `it covers nothing else of ${from}`,
    ...(about.heldAt.length > 0 ? [`it is withdrawn at ${about.heldAt.join(' and ')} first`] : []),
    ...(isSent ? [`it is sent to ${about.sentTo.join(' and ')} as it is then`] : []),
    ...(result.review_signature_id === null
      ? []
      : ['what was signed about it before is void and is to be signed again']),
    ...about.others.map((o) => `the proposal for ${o.to_label} of ${o.to_receipt} is overtaken`),
  ];
}

function declineEffects({ row, result, target }: AttributionCase): string[] {
  const place =
    result.receipt_id === null
      ? 'without an owner'
      : `of ${result.container_label ?? 'no container'} of ${result.receipt_id}`;
  return [
    `the result stays ${place}`,
    ...(speaksAgainst(result, target?.receipt.material ?? null) &&
    row.to_receipt !== result.receipt_id
      ? [`it no longer counts against ${row.to_receipt}`]
      : []),
    'a stop it led to stays until somebody lifts it',
  ];
}

function evidenceOf(row: AttributionRow): LabelEvidence {
  return {
    receipt: row.seen_receipt,
    container: row.seen_container,
    lot: row.seen_lot,
    seenBy: row.seen_by,
  };
}

/** Everything a signature about an attribution is compared with. */
export interface AttributionParts {
  readonly row: AttributionRow;
  readonly result: ReviewedRow;
  /** Row of the receipt it names; null when there is none. */
  readonly receipt: ReceiptRow | null;
}

/**
 * What the signature rests on: the result as it was reported, where it was, where the labels say it belongs, and what
 * that receipt expects. When the receipt is corrected the labels were compared with something else, and the
 * signature is void.
 */
export function attributionRecord({
  row,
  result,
  receipt,
}: AttributionParts): Pick<ShownDocument, 'subject' | 'record'> {
  const isOpen = row.state === 'open';
  const record: JsonValue = {
    result: {
      resultId: result.result_id,
      rowId: result.id,
      elementSha256: result.element_sha256,
      scanned: { receipt: result.receipt_scanned, container: result.container_scanned },
      material: result.material,
      lot: result.lot,
      decision: result.decision,
      contrary: result.contrary === 1,
      operator: result.operator_id,
      instrument: result.instrument_serial,
      measuredAt: result.measured_text,
    },
    from: {
      receiptId: isOpen ? result.receipt_id : row.from_receipt,
      container: isOpen ? result.container_label : row.from_label,
    },
    to: {
      receiptId: row.to_receipt,
      container: row.to_label,
      expects: receipt === null ? null : expectedOf(receipt),
    },
    label: {
      receipt: row.seen_receipt,
      container: row.seen_container,
      lot: row.seen_lot,
      seenBy: row.seen_by,
    },
    proposed: {
      by: row.proposed_by,
      name: row.proposed_name,
      at: formatInstant(row.proposed_at),
      reason: row.reason,
    },
  };
  return { subject: attributionSubject(row), record };
}

/** What a second person is shown and signs, with what each act would do. */
export function attributionDocument(about: AttributionCase): ShownDocument {
  const { attribute, decline } = attributionOptions(about);
  const context: JsonValue = {
    state: about.row.state,
    result: { state: about.result.state, revision: about.result.revision },
    others: about.others.map((o) => ({ id: o.id, receiptId: o.to_receipt, container: o.to_label })),
    attribute: optionJson(attribute),
    decline: optionJson(decline),
  };
  const receipt = about.target?.receipt ?? null;
  return { ...attributionRecord({ ...about, receipt }), context };
}

function optionJson({ possible, because, effects }: ReviewOption): JsonValue {
  return { possible, because: [...because], effects: [...effects] };
}

/** Whether the signature of an attribution still holds. */
export function attributionValidity(
  signature: Signature | null,
  parts: AttributionParts | null,
): Validity {
  if (signature === null || parts === null || signature.meaning !== 'attributed') {
    return { kind: 'void', changed: [''] };
  }
  return validityOf(signature, attributionRecord(parts));
}
