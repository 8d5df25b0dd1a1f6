import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared, preparedForList } from '../storage/prepared.js';
import type { AttributionRow, AttributionState, ResultRow } from '../storage/tables.js';
import { passFindings } from './delivery-findings.store.js';

interface OfReceipt {
  readonly site: string;
  readonly receiptId: string;
}

/**
 * Attributions that bear on a receipt without its results saying so: those proposed for it, and those signed that
 * took a result away from it.
 */
export async function attributionsBeside(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<readonly AttributionRow[]> {
  return (await beside(reader, { site, receiptId })).rows;
}

const beside = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('attribution')
    .selectAll()
    .where('site', '=', of.site)
    .where((e) =>
      e.or([
        e.and([e('to_receipt', '=', of.receiptId), e('state', '=', 'open')]),
        e.and([e('from_receipt', '=', of.receiptId), e('state', '=', 'signed')]),
      ]),
    )
    .orderBy('id'),
);

/** Results of a receipt of which somebody says that they belong elsewhere, and nobody decided. */
export async function proposedAway(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<
  readonly {
    readonly attributionId: string;
    readonly resultId: string;
    readonly toReceipt: string;
    readonly toLabel: string;
  }[]
> {
  return (await away(reader, { site, receiptId })).rows;
}

const away = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('attribution')
    .innerJoin('result', 'result.id', 'attribution.result_row_id')
    .select([
      'attribution.id as attributionId',
      'result.result_id as resultId',
      'attribution.to_receipt as toReceipt',
      'attribution.to_label as toLabel',
    ])
    .where('attribution.site', '=', of.site)
    .where('attribution.state', '=', 'open')
    .where('result.site', '=', of.site)
    .where('result.receipt_id', '=', of.receiptId)
    .orderBy('attribution.id'),
);

/** The attribution in force of each of these results, by row id: the one that was signed last. */
export async function attributionsInForce(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<Map<string, AttributionRow>> {
  const inForce = new Map<string, AttributionRow>();
  for (let i = 0; i < rowIds.length; i += CHUNK) {
    const { rows } = await signedOf(reader, { site }, rowIds.slice(i, i + CHUNK));
    for (const row of rows) inForce.set(row.result_row_id, row);
  }
  return inForce;
}

const CHUNK = 500;

/** Latest last. */
const signedOf = preparedForList((db, of: { readonly site: string }, ids) =>
  db
    .selectFrom('attribution')
    .selectAll()
    .where('site', '=', of.site)
    .where('result_row_id', 'in', ids)
    .where('state', '=', 'signed')
    .orderBy('decided_at')
    .orderBy('id'),
);

/** Everything that was ever proposed about where a result belongs, earliest first. */
export function attributionsOf(
  reader: Reader,
  site: string,
  rowId: string,
): Promise<AttributionRow[]> {
  return reader
    .selectFrom('attribution')
    .selectAll()
    .where('site', '=', site)
    .where('result_row_id', '=', rowId)
    .orderBy('id')
    .execute();
}

/** Proposals that wait for a second person, oldest first, behind `after`. */
export function openAttributions(
  reader: Reader,
  site: string,
  after: string,
  limit: number,
): Promise<AttributionRow[]> {
  return reader
    .selectFrom('attribution')
    .selectAll()
    .where('site', '=', site)
    .where('state', '=', 'open')
    .where('id', '>', after)
    .orderBy('id')
    .limit(limit)
    .execute();
}

export async function findAttribution(
  reader: Reader,
  site: string,
  id: string,
): Promise<AttributionRow | null> {
  const row = await reader
    .selectFrom('attribution')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', id)
    .executeTakeFirst();
  return row ?? null;
}

/** The signed attribution in force when a result had this revision; null when there was none. */
export async function attributionAtRevision(
  reader: Reader,
  site: string,
  of: { readonly resultRowId: string; readonly revision: number },
): Promise<AttributionRow | null> {
  const row = await reader
    .selectFrom('attribution')
    .selectAll()
    .where('site', '=', site)
    .where('result_row_id', '=', of.resultRowId)
    .where('state', '=', 'signed')
    .where('result_revision', '<=', of.revision)
    .orderBy('result_revision', 'desc')
    .orderBy('decided_at', 'desc')
    .limit(1)
    .executeTakeFirst();
  return row ?? null;
}

export async function insertAttribution(trx: Trx, row: AttributionRow): Promise<void> {
  await trx.insertInto('attribution').values(row).execute();
}

export interface AttributionDecision {
  readonly state: Exclude<AttributionState, 'open'>;
  readonly at: Instant;
  readonly signatureId: string;
  /** Where the result was, the revision it got, and that of the receipt it came to; null unless it was signed. */
  readonly signed: {
    readonly fromReceipt: string | null;
    readonly fromLabel: string | null;
    readonly resultRevision: number;
    readonly receiptRevision: number;
  } | null;
}

/** False when it was decided before. */
export async function decideAttribution(
  trx: Trx,
  id: string,
  { state, at, signatureId, signed }: AttributionDecision,
): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('attribution')
    .set({
      state,
      decided_at: at,
      signature_id: signatureId,
      ...(signed === null
        ? {}
        : {
            from_receipt: signed.fromReceipt,
            from_label: signed.fromLabel,
            result_revision: signed.resultRevision,
            judged_revision: signed.receiptRevision,
          }),
    })
    .where('id', '=', id)
    .where('state', '=', 'open')
    .executeTakeFirst();
  return numUpdatedRows === 1n;
}

/** Signed attributions whose receipt was changed since their signature was last found to hold. */
export function attributionsToJudge(
  reader: Reader,
  site: string,
  limit: number,
): Promise<(AttributionRow & { readonly receipt_revision: number })[]> {
  return reader
    .selectFrom('attribution')
    .innerJoin('receipt', (join) =>
      join
        .onRef('receipt.site', '=', 'attribution.site')
        .onRef('receipt.id', '=', 'attribution.to_receipt'),
    )
    .selectAll('attribution')
    .select('receipt.revision as receipt_revision')
    .where('attribution.site', '=', site)
    .where('attribution.state', '=', 'signed')
    .whereRef('receipt.revision', '>', 'attribution.judged_revision')
    .orderBy('attribution.id')
    .limit(limit)
    .execute();
}

export async function setJudged(trx: Trx, id: string, receiptRevision: number): Promise<void> {
  await trx
    .updateTable('attribution')
    .set({ judged_revision: receiptRevision })
    .where('id', '=', id)
    .execute();
}

/** True while somebody says that a result is or was of this receipt: corrections may not ease it meanwhile. */
export async function hasAttributions(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<boolean> {
  const row = await reader
    .selectFrom('attribution')
    .select('id')
    .where('site', '=', site)
    .where((e) => e.or([e('to_receipt', '=', receiptId), e('from_receipt', '=', receiptId)]))
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

/**
 * Gives a result the receipt and container that a signature names, under its next revision. Its earlier deliveries
 * go on speaking of the receipt they were made for, if they were made for one. False when it is not at the revision the act began from.
 */
export async function moveResult(
  trx: Trx,
  result: Pick<ResultRow, 'site' | 'id' | 'revision'>,
  to: { readonly receiptId: string; readonly label: string },
): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('result')
    .set({ receipt_id: to.receiptId, container_label: to.label, revision: result.revision + 1 })
    .where('id', '=', result.id)
    .where('revision', '=', result.revision)
    .executeTakeFirst();
  if (numUpdatedRows !== 1n) return false;
  await passFindings(trx, result.site, [result.id], to.receiptId);
  return true;
}
