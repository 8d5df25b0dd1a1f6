import { attributionsBeside, attributionsInForce } from '../receipts/attributions.store.js';
import { containerKey } from '../receipts/label.js';
import { currentKey, keepsEvidence, type LinkDocument, relabelMap } from '../receipts/lineage.js';
import { linksFrom, relabelsOf } from '../receipts/lineage.store.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Reader } from '../storage/database.js';
import type { AttributionRow } from '../storage/tables.js';
import { attributionValidity } from './attribution.js';
import type { AttributionFact, ClaimFact, LineageFacts } from './facts.js';
import { type EvidenceRow, resultFact } from './facts-from-rows.js';
import { loadAttributedParts, loadReviewedParts } from './reviews.store.js';

/** What was signed last about where these results belong, held against the records as they are now, by row id. */
export async function loadAttributions(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<Map<string, AttributionFact>> {
  const facts = new Map<string, AttributionFact>();
  if (rowIds.length === 0) return facts;
  const inForce = [...(await attributionsInForce(reader, site, rowIds)).values()];
  const ids = inForce.map((row) => row.signature_id).filter((id) => id !== null);
  const signatures = new Map((await signaturesByIds(reader, site, ids)).map((s) => [s.id, s]));
  const parts = await loadAttributedParts(reader, site, inForce);
  for (const row of inForce) {
    const signature = signatures.get(row.signature_id ?? '') ?? null;
    const validity = attributionValidity(signature, parts.get(row.id) ?? null);
    facts.set(row.result_row_id, {
      signatureId: row.signature_id ?? '',
      isValid: validity.kind === 'valid',
      changed: validity.kind === 'void' ? validity.changed : [],
      lot: row.seen_lot,
    });
  }
  return facts;
}

type LoadRows = (
  reader: Reader,
  site: string,
  ids: readonly string[],
) => Promise<readonly EvidenceRow[]>;

/**
 * Results that may be the receipt's and are not among its results, see `ClaimFact`. What a void signature took from a
 * receipt comes back to what went on from that one since.
 */
export async function loadClaims(
  reader: Reader,
  site: string,
  receiptId: string,
  { origins }: Pick<LineageFacts, 'origins'>,
  loadRows: LoadRows,
): Promise<ClaimFact[]> {
  const beside = [...(await attributionsBeside(reader, site, receiptId))];
  const from = origins.filter(({ kind }) => keepsEvidence(kind)).map((o) => o.receiptId);
  for (const origin of from) {
    const there = await attributionsBeside(reader, site, origin);
    beside.push(...there.filter((row) => row.state === 'signed'));
  }
  if (beside.length === 0) return [];
  const left = beside.filter((row) => row.state === 'signed').map((row) => row.result_row_id);
  const inForce = await loadAttributions(reader, site, [...new Set(left)]);
  const standing: AttributionRow[] = [];
  for (const row of beside) {
    const isClaim = row.state === 'open' || inForce.get(row.result_row_id)?.isValid === false;
    if (isClaim && !(await wentElsewhere(reader, row, [receiptId, ...from]))) standing.push(row);
  }
  if (standing.length === 0) return [];
  const ids = [...new Set(standing.map((row) => row.result_row_id))];
  const rows = new Map((await loadRows(reader, site, ids)).map((row) => [row.id, row]));
  return standing.flatMap((row) => {
    const result = rows.get(row.result_row_id);
    // What is of this receipt counts among its own results.
    return result === undefined || result.receipt_id === receiptId ? [] : [claimFact(row, result)];
  });
}

/** A contrary result that counts where a void signature took it from; `container` is its label there, null if it named none. */
export interface TakenBack {
  readonly id: string;
  readonly container: string | null;
}

/**
 * Contrary results that a void signature took from a receipt: they count there again, and for what its containers came to
 * since.
 */
export async function contraryTakenBack(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<TakenBack[]> {
  const beside = await attributionsBeside(reader, site, receiptId);
  const left = beside.filter((row) => row.state === 'signed').map((row) => row.result_row_id);
  const inForce = await loadAttributions(reader, site, [...new Set(left)]);
  const ids = [...inForce].filter(([, { isValid }]) => !isValid).map(([id]) => id);
  const parts = await loadReviewedParts(reader, site, ids);
  return [...parts.values()]
    .filter(({ result }) => result.contrary === 1 && result.receipt_id !== receiptId)
    .flatMap(({ result: { id } }) =>
      beside
        .filter((row) => row.state === 'signed' && row.result_row_id === id)
        .map((row) => ({ id, container: row.from_label })),
    );
}

/**
 * True when the container that a result was taken from is known to have gone on to other receipts than these. Where
 * nobody can tell, it may be any that went on.
 *
 * @param lineage a receipt, and those that it went on from
 */
async function wentElsewhere(
  reader: Reader,
  { site, from_receipt: from, from_label: label }: AttributionRow,
  [receiptId, ...origins]: readonly string[],
): Promise<boolean> {
  if (from === null || from === receiptId || label === null || !origins.includes(from)) {
    return false;
  }
  const relabels = relabelMap(await relabelsOf(reader, site, [from]));
  const key = currentKey(relabels, containerKey(label));
  const went = (await linksFrom(reader, site, from)).filter(
    ({ kind, document }) =>
      keepsEvidence(kind) && (JSON.parse(document) as LinkDocument).containers.includes(key),
  );
  const here = [receiptId, ...origins];
  return went.length > 0 && !went.some((link) => here.includes(link.to_receipt));
}

function claimFact(row: AttributionRow, result: EvidenceRow): ClaimFact {
  const isOpen = row.state === 'open';
  const signed = { review: null, cause: null, attribution: null };
  const fact = resultFact(result, signed, NOBODY);
  return {
    attributionId: row.id,
    why: isOpen ? 'proposed' : 'void',
    result: { ...fact, containerLabel: isOpen ? row.to_label : row.from_label },
  };
}

const NOBODY: ReadonlyMap<string, string> = new Map();
