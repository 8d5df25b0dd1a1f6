import type { Instant } from '../formats/instant.js';
import { rejectionsOf } from '../receipts/rejections.store.js';
import type { Reader } from '../storage/database.js';
import type { AttributionRow } from '../storage/tables.js';

type AddEvent = (at: Instant | null, kind: string, id: string, what: string) => void;

/** Values bound in one `in (…)`. */
const CHUNK = 500;

/** What was said and signed about where these results belong, and which came to the receipt or left it. */
export async function traceAttributions(
  reader: Reader,
  site: string,
  of: { readonly receiptId: string | null; readonly rowIds: readonly string[] },
  add: AddEvent,
): Promise<void> {
  const { receiptId, rowIds } = of;
  const found = new Map<string, AttributionRow>();
  const query = () => reader.selectFrom('attribution').selectAll().where('site', '=', site);
  for (let i = 0; i < rowIds.length; i += CHUNK) {
    const some = rowIds.slice(i, i + CHUNK);
    for (const row of await query().where('result_row_id', 'in', some).execute()) {
      found.set(row.id, row);
    }
  }
  if (receiptId !== null) {
    const beside = await query()
      .where((e) => e.or([e('from_receipt', '=', receiptId), e('to_receipt', '=', receiptId)]))
      .execute();
    for (const row of beside) found.set(row.id, row);
    for (const r of await rejectionsOf(reader, site, receiptId)) {
      const container = `container ${r.container_label}`;
      add(r.at, 'rejection', r.id, `${container} rejected, investigation ${r.investigation}`);
      add(r.split_off_at, 'rejection', r.id, `${container} split off to ${r.split_off_to ?? ''}`);
    }
  }
  for (const row of found.values()) {
    const from = `${row.from_label ?? 'no container'} of ${row.from_receipt ?? 'no receipt'}`;
    const words = `result ${row.result_row_id} from ${from} to ${row.to_label} of ${row.to_receipt}`;
    add(row.proposed_at, 'attribution', row.id, `${words}: proposed by ${row.proposed_name}`);
    add(row.decided_at, 'attribution', row.id, `${words}: ${row.state}`);
  }
}
