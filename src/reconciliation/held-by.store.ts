import type { Reader } from '../storage/database.js';
import type { MeasuredResult } from './compare.js';

/** Far below what either database allows in one `in (…)`. */
const CHUNK = 1000;

/** Codes of the findings that hold each of these results, those of its bundle among them, by row id. */
export async function holdingCodes(
  reader: Reader,
  results: readonly Pick<MeasuredResult, 'rowId' | 'state'>[],
): Promise<ReadonlyMap<string, readonly string[]>> {
  const held = results.filter((r) => r.state === 'held').map((r) => r.rowId);
  const codes = new Map<string, string[]>();
  for (let from = 0; from < held.length; from += CHUNK) {
    const rows = await reader
      .selectFrom('result')
      .select(['id', 'bundle_row_id'])
      .where('id', 'in', held.slice(from, from + CHUNK))
      .execute();
    const bundles = [...new Set(rows.map((row) => row.bundle_row_id))];
    const findings = await reader
      .selectFrom('finding')
      .select(['bundle_row_id', 'result_row_id', 'code'])
      .where('bundle_row_id', 'in', bundles)
      .where('severity', '=', 'hold')
      .orderBy('id')
      .execute();
    const byOwner = new Map<string, Set<string>>();
    for (const { bundle_row_id, result_row_id, code } of findings) {
      const owner = result_row_id ?? bundle_row_id;
      byOwner.set(owner, (byOwner.get(owner) ?? new Set()).add(code));
    }
    for (const { id, bundle_row_id } of rows) {
      codes.set(id, [...(byOwner.get(bundle_row_id) ?? []), ...(byOwner.get(id) ?? [])]);
    }
  }
  return codes;
}
