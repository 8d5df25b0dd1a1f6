import type { Reader, Trx } from '../storage/database.js';
import type { ResultRow } from '../storage/tables.js';

/** Values bound in one `in (…)`. */
const CHUNK = 1000;

export async function resultRowsByIds(
  reader: Reader,
  site: string,
  ids: readonly string[],
): Promise<ResultRow[]> {
  const rows: ResultRow[] = [];
  for (let i = 0; i < ids.length; i += CHUNK) {
    rows.push(
      ...(await reader
        .selectFrom('result')
        .selectAll()
        .where('site', '=', site)
        .where('id', 'in', ids.slice(i, i + CHUNK))
        .execute()),
    );
  }
  return rows;
}

/** `row code` of every finding that holds one of these results. */
export async function codesOn(
  reader: Reader,
  results: readonly Pick<ResultRow, 'id' | 'bundle_row_id'>[],
): Promise<ReadonlySet<string>> {
  const ids = new Set(results.map(({ id }) => id));
  const bundles = [...new Set(results.map((row) => row.bundle_row_id))];
  const codes = new Set<string>();
  for (let i = 0; i < bundles.length; i += CHUNK) {
    const rows = await reader
      .selectFrom('finding')
      .select(['result_row_id', 'code'])
      .where('bundle_row_id', 'in', bundles.slice(i, i + CHUNK))
      .where('severity', '=', 'hold')
      .execute();
    for (const { result_row_id: id, code } of rows) {
      if (id !== null && ids.has(id)) codes.add(`${id} ${code}`);
    }
  }
  return codes;
}

/**
 * Holds a result that was accepted. What was made of it to be sent is used up: should a reviewer clear it, it goes out
 * under its next revision, behind the withdrawal of this one. Returns what it is of behind that; undefined when it is not
 * accepted any more.
 */
export async function holdAccepted(
  trx: Trx,
  rowId: string,
): Promise<Pick<ResultRow, 'receipt_id'> | undefined> {
  return await trx
    .updateTable('result')
    .set((eb) => ({ state: 'held', revision: eb('revision', '+', 1) }))
    .where('id', '=', rowId)
    .where('state', '=', 'accepted')
    .returning('receipt_id')
    .executeTakeFirst();
}
