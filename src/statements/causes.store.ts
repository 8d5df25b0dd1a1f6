import { latestSignatureOf, latestSignaturesOf } from '../signatures/signatures.store.js';
import type { Reader } from '../storage/database.js';
import { type Attempt, type CauseCase, causeValidity } from './assigned-cause.js';
import type { ReviewFact } from './facts.js';
import { loadReviewedParts } from './reviews.store.js';

/** What was signed last about the causes of these contrary results, held against them as they are now, by row id. */
export async function loadCauses(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<Map<string, ReviewFact>> {
  const signatures = await latestSignaturesOf(reader, site, 'cause', rowIds);
  const parts = await loadReviewedParts(reader, site, [...signatures.keys()]);
  const causes = new Map<string, ReviewFact>();
  for (const [id, signature] of signatures) {
    const now = parts.get(id);
    const validity = now ? causeValidity(signature, now) : null;
    causes.set(id, {
      signatureId: signature.id,
      isValid: validity?.kind === 'valid',
      changed: validity?.kind === 'void' ? validity.changed : [],
    });
  }
  return causes;
}

/** A result with the series of its container, as a reviewer who explains it is shown it; null when there is none. */
export async function loadCauseCase(
  reader: Reader,
  site: string,
  rowId: string,
): Promise<CauseCase | null> {
  const parts = (await loadReviewedParts(reader, site, [rowId])).get(rowId);
  if (!parts) return null;
  const { receipt_id: receiptId, container_label: label } = parts.result;
  const signature = await latestSignatureOf(reader, site, { kind: 'cause', id: rowId });
  return {
    parts,
    series:
      receiptId === null || label === null ? [] : await series(reader, site, receiptId, label),
    signed: signature && causeValidity(signature, parts),
  };
}

async function series(
  reader: Reader,
  site: string,
  receiptId: string,
  label: string,
): Promise<Attempt[]> {
  const rows = await reader
    .selectFrom('result')
    .select([
      'id',
      'result_id',
      'state',
      'decision',
      'operator_id',
      'instrument_serial',
      'measured_text',
    ])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .where('container_label', '=', label)
    .orderBy('id')
    .execute();
  return rows.map((row) => ({
    rowId: row.id,
    resultId: row.result_id,
    state: row.state,
    decision: row.decision,
    operator: row.operator_id,
    instrument: row.instrument_serial,
    measuredAt: row.measured_text,
  }));
}
