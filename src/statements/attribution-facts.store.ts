import { attributionsBeside, attributionsInForce } from '../receipts/attributions.store.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Reader } from '../storage/database.js';
import type { AttributionRow } from '../storage/tables.js';
import { attributionValidity } from './attribution.js';
import type { ClaimFact, ReviewFact } from './facts.js';
import { type EvidenceRow, resultFact } from './facts-from-rows.js';
import { loadAttributedParts } from './reviews.store.js';

/** What was signed last about where these results belong, held against the records as they are now, by row id. */
export async function loadAttributions(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<Map<string, ReviewFact>> {
  const facts = new Map<string, ReviewFact>();
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
    });
  }
  return facts;
}

type LoadRows = (
  reader: Reader,
  site: string,
  ids: readonly string[],
) => Promise<readonly EvidenceRow[]>;

/** Results that may be the receipt's and are not among its results, see `ClaimFact`. */
export async function loadClaims(
  reader: Reader,
  site: string,
  receiptId: string,
  loadRows: LoadRows,
): Promise<ClaimFact[]> {
  const beside = await attributionsBeside(reader, site, receiptId);
  if (beside.length === 0) return [];
  const left = beside.filter((row) => row.state === 'signed').map((row) => row.result_row_id);
  const inForce = await loadAttributions(reader, site, [...new Set(left)]);
  const standing = beside.filter(
    (row) => row.state === 'open' || inForce.get(row.result_row_id)?.isValid === false,
  );
  if (standing.length === 0) return [];
  const ids = [...new Set(standing.map((row) => row.result_row_id))];
  const rows = new Map((await loadRows(reader, site, ids)).map((row) => [row.id, row]));
  return standing.flatMap((row) => {
    const result = rows.get(row.result_row_id);
    // What is of this receipt counts among its own results.
    return result === undefined || result.receipt_id === receiptId ? [] : [claimFact(row, result)];
  });
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
