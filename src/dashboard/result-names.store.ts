import type { Reader } from '../storage/database.js';

/** Results of a receipt as people know them, `NQ-R-0001-1-R2, container D-02`, by row id. */
export async function resultNames(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<ReadonlyMap<string, string>> {
  const rows = await reader
    .selectFrom('result')
    .select(['id', 'result_id', 'container_label'])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .execute();
  return new Map(
    rows.map(({ id, result_id, container_label }) => [
      id,
      container_label === null ? result_id : `${result_id}, container ${container_label}`,
    ]),
  );
}
