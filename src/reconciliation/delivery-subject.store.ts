import type { Instant } from '../formats/instant.js';
import { measuredSpan } from '../site/method-force.js';
import type { Reader } from '../storage/database.js';
import type { DeliveryRow, ResultRow } from '../storage/tables.js';

/** What a result's or a withdrawal's delivery speaks of, as its destination knows it. */
export interface DeliverySubject {
  readonly resultId: string;
  /** The earliest that it can have been measured (rule 30); null when the result does not say readably. */
  readonly measuredFrom: Instant | null;
}

/** null for what is no message about a result: a statement's revision tells the lives of a database apart. */
export async function deliverySubject(
  reader: Reader,
  row: Pick<DeliveryRow, 'subject_kind' | 'subject_id'>,
): Promise<DeliverySubject | null> {
  if (row.subject_kind !== 'result' && row.subject_kind !== 'withdrawal') return null;
  const results = reader
    .selectFrom('result')
    .select(['result.result_id', 'result.measured_at', 'result.record']);
  const found = await (row.subject_kind === 'result'
    ? results.where('result.id', '=', row.subject_id)
    : results
        .innerJoin('withdrawal', 'withdrawal.result_row_id', 'result.id')
        .where('withdrawal.id', '=', row.subject_id)
  ).executeTakeFirst();
  return found === undefined ? null : { resultId: found.result_id, measuredFrom: earliest(found) };
}

function earliest({
  measured_at: measuredAt,
  record,
}: Pick<ResultRow, 'measured_at' | 'record'>): Instant | null {
  if (measuredAt === null) return null;
  const { measuredAt: stated } = JSON.parse(record ?? '{}') as {
    readonly measuredAt?: { readonly reported?: string; readonly source?: string } | null;
  };
  return measuredSpan(measuredAt, stated?.reported ?? null, stated?.source ?? null).from;
}
