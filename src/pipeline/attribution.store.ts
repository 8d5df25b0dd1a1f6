import { destinationsHolding } from '../delivery/outbox.store.js';
import { attributionsInForce, attributionsOf } from '../receipts/attributions.store.js';
import { containerKey } from '../receipts/label.js';
import { currentKey, type LinkDocument, relabelMap } from '../receipts/lineage.js';
import { linksTo, relabelsOf } from '../receipts/lineage.store.js';
import { containersOf, findReceipts } from '../receipts/receipts.store.js';
import type { Validity } from '../signatures/shown-document.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import {
  type AttributionCase,
  type AttributionTarget,
  attributionValidity,
} from '../statements/attribution.js';
import { loadAttributedParts, loadReviewedParts } from '../statements/reviews.store.js';
import type { Reader } from '../storage/database.js';
import type { AttributionRow, ResultRow } from '../storage/tables.js';

/** A result in full; null when the site has none under this row id. */
export async function attributedResult(
  reader: Reader,
  site: string,
  rowId: string,
): Promise<ResultRow | null> {
  const row = await reader
    .selectFrom('result')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', rowId)
    .executeTakeFirst();
  return row ?? null;
}

/** The receipt a result is said to be of, and the container the label leads to; null when nobody announced it. */
export async function loadTarget(
  reader: Reader,
  site: string,
  receiptId: string,
  seenContainer: string,
): Promise<AttributionTarget | null> {
  const receipt = (await findReceipts(reader, site, [receiptId])).get(receiptId);
  if (receipt?.announced !== 1) return null;
  const links = receipt.linked === 1 ? await linksTo(reader, site, receiptId) : [];
  const earlier = links.map((link) => JSON.parse(link.document) as LinkDocument);
  const relabels = relabelMap(await relabelsOf(reader, site, [receiptId]));
  const key = currentKey(relabels, containerKey(seenContainer));
  const listed = await containersOf(reader, site, receiptId);
  return {
    receipt,
    scanTexts: [receipt.scan_text, ...earlier.flatMap((d) => d.scanTexts)],
    label: listed.find((c) => c.normalised === key)?.label ?? null,
  };
}

/** Whether the attribution of a result that was signed last still holds; null when none was signed. */
export async function validityInForce(
  reader: Reader,
  site: string,
  rowId: string,
): Promise<Validity | null> {
  const row = (await attributionsInForce(reader, site, [rowId])).get(rowId);
  return row === undefined ? null : validityOfRow(reader, site, row);
}

export async function validityOfRow(
  reader: Reader,
  site: string,
  row: AttributionRow,
): Promise<Validity> {
  const [signature] = await signaturesByIds(reader, site, [row.signature_id ?? '']);
  const parts = (await loadAttributedParts(reader, site, [row])).get(row.id);
  return attributionValidity(signature ?? null, parts ?? null);
}

/** Everything that signing or declining a proposal depends on. */
export async function loadAttributionCase(
  reader: Reader,
  site: string,
  row: AttributionRow,
  messages: {
    destinations(): readonly string[];
    withoutWithdrawal(destinations: readonly string[]): readonly string[];
  },
): Promise<AttributionCase> {
  const { result_row_id: rowId } = row;
  const result = (await loadReviewedParts(reader, site, [rowId])).get(rowId)?.result;
  if (!result) throw new Error(`attribution ${row.id} is of no result`);
  const heldAt = await destinationsHolding(reader, site, result);
  const all = await attributionsOf(reader, site, rowId);
  return {
    row,
    result,
    target: await loadTarget(reader, site, row.to_receipt, row.seen_container),
    inForce: await validityInForce(reader, site, rowId),
    others: all.filter((other) => other.state === 'open' && other.id !== row.id),
    heldAt,
    cannotWithdraw: messages.withoutWithdrawal(heldAt),
    sentTo: messages.destinations(),
  };
}
