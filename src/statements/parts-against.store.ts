import { normaliseLabel } from '../receipts/label.js';
import { departedFrom, partsOf, resultsAgainst } from '../receipts/lineage.store.js';
import { chunks } from '../storage/chunks.js';
import type { Reader } from '../storage/database.js';
import { contraryTakenBack } from './attribution-facts.store.js';
import { measuredSpanOf } from './facts-from-rows.js';

/** A result that speaks against a source that was split, at one of its other parts. */
export interface PartAgainst {
  readonly id: string;
  /** Its bundle had come when the source was split. */
  readonly hadCome: boolean;
}

/**
 * What was of a source before it was split, speaks against it and is of its other parts: scanned under a text of it, or
 * measured before. Whoever synced it before the split would have kept this part from conforming, and who syncs it later
 * gains nothing (release-safety rule 9). What was measured of a part as a part is about that one alone.
 *
 * @param source receipt that this one goes on from, or began anew from a part of
 * @param scanTexts by which its results may have been scanned
 */
export async function partsAgainst(
  reader: Reader,
  site: string,
  receiptId: string,
  { source, scanTexts }: { readonly source: string; readonly scanTexts: readonly string[] },
): Promise<readonly PartAgainst[]> {
  const parts = await partsOf(reader, site, source);
  if (parts === null) return [];
  const { dividedAt } = parts;
  // What stays behind a rejected container was freed from it by signature.
  const except = new Set([receiptId, ...(await departedFrom(reader, site, receiptId))]);
  const places = [source, ...parts.receiptIds].filter((place) => !except.has(place));
  const rows = await resultRows(reader, [...(await againstAt(reader, site, places))]);
  return rows
    .filter((row) => {
      const span = measuredSpanOf(row);
      const isOfWhole = scanTexts.includes(normaliseLabel(row.receipt_scanned ?? ''));
      return isOfWhole || span === null || span.from <= dividedAt;
    })
    .map((row) => ({ id: row.id, hadCome: row.received_at <= dividedAt }));
}

/** Row ids of what speaks against containers at these places, with what a void signature took from there. */
export async function againstAt(
  reader: Reader,
  site: string,
  places: readonly string[],
): Promise<Set<string>> {
  const found = new Set((await resultsAgainst(reader, site, places)).map(({ id }) => id));
  for (const place of places) {
    for (const { id } of await contraryTakenBack(reader, site, place)) found.add(id);
  }
  return found;
}

async function resultRows(reader: Reader, ids: readonly string[]) {
  const found = [];
  for (const some of chunks(ids)) {
    const rows = await reader
      .selectFrom('result')
      .innerJoin('bundle', 'bundle.id', 'result.bundle_row_id')
      .select(['result.id', 'result.receipt_scanned', 'result.measured_at'])
      .select(['result.record', 'result.record_sha256', 'bundle.received_at'])
      .where('result.id', 'in', some)
      .orderBy('result.id')
      .execute();
    found.push(...rows);
  }
  return found;
}
