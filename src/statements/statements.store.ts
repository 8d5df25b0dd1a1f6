import { sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { StatementRecord } from '../records/statement-record.js';
import type { Reader, Trx } from '../storage/database.js';
import { bounded, prepared, preparedInsert } from '../storage/prepared.js';
import type { StatementPullRow, StopRow } from '../storage/tables.js';

/** A read-back that shows something else, or a key the destination holds for other content. */
const INEFFECTIVE = ['not-effective', 'key-conflict'] as const;
const CLOSED = ['confirmed', 'cancelled', 'superseded'] as const;

/** The latest revision stored for a receipt, null when there is none. */
export async function latestStatement(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<StatementRecord | null> {
  const [row] = (await latestDocument(reader, { site, receiptId })).rows;
  return row ? (JSON.parse(row.document) as StatementRecord) : null;
}

interface OfReceipt {
  readonly site: string;
  readonly receiptId: string;
}

const latestDocument = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('statement')
    .select('document')
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .orderBy('revision', 'desc')
    .limit(bounded(1)),
);

/** One stored revision: the subject of a statement's or a stop's delivery. */
export async function statementAtRevision(
  reader: Reader,
  site: string,
  receiptId: string,
  revision: number,
): Promise<StatementRecord | null> {
  const [row] = (await documentAtRevision(reader, { site, receiptId, revision })).rows;
  return row ? (JSON.parse(row.document) as StatementRecord) : null;
}

const documentAtRevision = prepared((db, of: OfReceipt & { readonly revision: number }) =>
  db
    .selectFrom('statement')
    .select('document')
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where('revision', '=', of.revision),
);

/** The latest revision that said *conforms*, null when none ever did. */
export async function latestConforms(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<StatementRecord | null> {
  const [row] = (await latestConformsDocument(reader, { site, receiptId })).rows;
  return row ? (JSON.parse(row.document) as StatementRecord) : null;
}

/** Marks a receipt for a later evaluation, unless some revision of it ever said *conforms*: then false. */
export async function markDueUnlessConformed(
  trx: Trx,
  site: string,
  receiptId: string,
): Promise<boolean> {
  return (await markUnlessConformed(trx, { site, receiptId })).written === 1;
}

const markUnlessConformed = prepared((db, of: OfReceipt) =>
  db
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('site', '=', of.site)
    .where('id', '=', of.receiptId)
    .where((eb) =>
      eb.not(
        eb.exists(
          eb
            .selectFrom('statement')
            .select('revision')
            .where('statement.site', '=', of.site)
            .where('statement.receipt_id', '=', of.receiptId)
            .where('statement.outcome', '=', 'conforms'),
        ),
      ),
    ),
);

const latestConformsDocument = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('statement')
    .select('document')
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where('outcome', '=', 'conforms')
    .orderBy('revision', 'desc')
    .limit(bounded(1)),
);

export const insertStatement = preparedInsert('statement');

/** A stop as it is issued. */
export type IssuedStop = Omit<
  StopRow,
  'lifted_at' | 'lift_signature_id' | 'investigation' | 'lift_revision'
>;

export async function insertStop(trx: Trx, row: IssuedStop): Promise<void> {
  await trx.insertInto('stop').values(row).execute();
}

/** Every stop of a receipt, earliest first; each is in force until a signed act lifted it. */
export async function stopsOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<readonly StopRow[]> {
  return (await stopsInOrder(reader, { site, receiptId })).rows;
}

const stopsInOrder = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('stop')
    .selectAll()
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .orderBy('statement_revision'),
);

/** True when an acting destination's read-back of this stop shows something else. */
export async function isStopIneffective(
  reader: Reader,
  site: string,
  stopId: string,
): Promise<boolean> {
  const row = await reader
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', site)
    .where('subject_kind', '=', 'stop')
    .where('subject_id', '=', stopId)
    .where('fault', 'in', INEFFECTIVE)
    .where('state', 'not in', CLOSED)
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

/** Stops that are not effective yet. */
export function stopsNotEffective(reader: Reader, site: string): Promise<StopRow[]> {
  return reader
    .selectFrom('stop')
    .selectAll()
    .where('site', '=', site)
    .where('effective_at', 'is', null)
    .orderBy('issued_at')
    .execute();
}

export interface StopDelivery {
  readonly id: string;
  readonly destination: string;
  readonly state: string;
}

/** Deliveries of a stop and of every later stop of its receipt, each of which says at least as much. */
export function deliveriesFromStop(
  reader: Reader,
  site: string,
  stop: Pick<StopRow, 'receipt_id' | 'statement_revision'>,
): Promise<StopDelivery[]> {
  return reader
    .selectFrom('delivery')
    .select(['id', 'destination', 'state'])
    .where('site', '=', site)
    .where('subject_kind', '=', 'stop')
    .where('receipt_id', '=', stop.receipt_id)
    .where('subject_revision', '>=', stop.statement_revision)
    .execute();
}

/** Lifts stops that are in force; returns how many were. */
export async function liftStops(
  trx: Trx,
  ids: readonly string[],
  lift: {
    readonly at: Instant;
    readonly signatureId: string;
    readonly investigation: string;
    readonly revision: number;
  },
): Promise<number> {
  const { numUpdatedRows } = await trx
    .updateTable('stop')
    .set({
      lifted_at: lift.at,
      lift_signature_id: lift.signatureId,
      investigation: lift.investigation,
      lift_revision: lift.revision,
    })
    .where('id', 'in', ids)
    .where('lifted_at', 'is', null)
    .executeTakeFirst();
  return Number(numUpdatedRows);
}

/** False when another transaction has marked it meanwhile. */
export async function setStopEffective(trx: Trx, stopId: string, at: Instant): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('stop')
    .set({ effective_at: at })
    .where('id', '=', stopId)
    .where('effective_at', 'is', null)
    .executeTakeFirst();
  return numUpdatedRows === 1n;
}

export async function insertPull(trx: Trx, row: Omit<StatementPullRow, 'id'>): Promise<void> {
  await trx
    .insertInto('statement_pull')
    .values({ id: uuidv7(), ...row })
    .execute();
}

export async function settleEvaluation(
  trx: Trx,
  site: string,
  receiptId: string,
  isWaiting: boolean,
): Promise<void> {
  await setEvaluation(trx, { site, receiptId, due: isWaiting ? 2 : 0 });
}

const setEvaluation = prepared((db, to: OfReceipt & { readonly due: 0 | 2 }) =>
  db
    .updateTable('receipt')
    .set({ evaluation_due: to.due })
    .where('site', '=', to.site)
    .where('id', '=', to.receiptId),
);

/**
 * Receipts whose facts changed since their last evaluation. Written out, since PostgreSQL would take a value that it does
 * not know for the one that nearly all have, and read every receipt of the site by its id.
 */
export async function receiptsDue(reader: Reader, site: string, limit: number): Promise<string[]> {
  const rows = await reader
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', site)
    .where('evaluation_due', '=', sql.lit(1))
    .where('announced', '=', sql.lit(1))
    .orderBy('id')
    .limit(limit)
    .execute();
  return rows.map((r) => r.id);
}

/** Receipts behind an id whose facts wait for something or were not looked at yet, in the order of their ids. */
export async function receiptsOpen(
  reader: Reader,
  site: string,
  after: string,
  limit: number,
): Promise<string[]> {
  const rows = await reader
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', site)
    .where('announced', '=', 1)
    .where('evaluation_due', '!=', 0)
    .where('id', '>', after)
    .orderBy('id')
    .limit(limit)
    .execute();
  return rows.map((r) => r.id);
}

/** What of a scope a query can tell: it may leave out only what the scope rules out for certain. */
export interface ConformingScope {
  /** null: any. */
  readonly materials: readonly string[] | null;
  /** Areas it can bear on; null: any. */
  readonly areas: readonly string[] | null;
  /** Serials whose receipts it bears on wherever they stand. */
  readonly instruments: readonly string[];
  readonly to: Instant | null;
}

/**
 * Receipts that conform by their latest statement and have no stop, with what a scope looks at; those that the
 * scope rules out are left out by their indexes, not one by one.
 */
export function conformingReceipts(reader: Reader, site: string, scope: ConformingScope) {
  const { materials, areas, instruments, to } = scope;
  return conforming(reader, site)
    .$if(materials !== null, (q) =>
      q.where((e) => e.or([e('material', 'is', null), e('material', 'in', materials ?? [])])),
    )
    .$if(to !== null, (q) =>
      q.where((e) =>
        e.or([
          e('received_at', 'is', null),
          e('receipt.revision', '>', 1),
          e('linked', '=', 1),
          e('received_at', '<=', to ?? (0 as Instant)),
        ]),
      ),
    )
    .$if(areas !== null, (q) =>
      q.where((e) =>
        e.or([
          e('area', 'is', null),
          e('receipt.revision', '>', 1),
          e('linked', '=', 1),
          e('area', 'in', areas ?? []),
          ...(instruments.length === 0
            ? []
            : [
                e.exists(
                  e
                    .selectFrom('result')
                    .select('result.id')
                    .whereRef('result.site', '=', 'receipt.site')
                    .whereRef('result.receipt_id', '=', 'receipt.id')
                    .where('result.instrument_serial', 'in', instruments),
                ),
              ]),
        ]),
      ),
    )
    .execute();
}

/** Conforming receipts with a result by one of these versions of a method. */
export async function conformingByMethod(
  reader: Reader,
  site: string,
  id: string,
  versions: readonly string[],
): Promise<string[]> {
  if (versions.length === 0) return [];
  const rows = await conforming(reader, site)
    .where(({ exists, selectFrom }) =>
      exists(
        selectFrom('result')
          .select('result.id')
          .whereRef('result.site', '=', 'receipt.site')
          .whereRef('result.receipt_id', '=', 'receipt.id')
          .where('result.method_id', '=', id)
          .where('result.method_version', 'in', versions),
      ),
    )
    .execute();
  return rows.map((r) => r.id);
}

/** Conforming receipts whose retest date is reached. */
export async function conformingPastRetest(
  reader: Reader,
  site: string,
  now: Instant,
): Promise<string[]> {
  const rows = await conforming(reader, site).where('retest_at', '<=', now).execute();
  return rows.map((r) => r.id);
}

/**
 * Conforming receipts that came of one where something contrary stands, or evidence that names no container: it may be
 * about theirs. The transaction that brings it evaluates them already; this looks again at what stands at the source itself.
 */
export async function conformingOfDoubtfulOrigin(reader: Reader, site: string): Promise<string[]> {
  const rows = await conforming(reader, site)
    .where('linked', '=', 1)
    .where(sql<boolean>`exists (
      select 1 from receipt_link where receipt_link.site = receipt.site
        and receipt_link.to_receipt = receipt.id
        and (
          exists (
            select 1 from result where result.site = receipt_link.site
              and result.receipt_id = receipt_link.from_receipt and result.contrary = 1
              and (receipt_link.signature_id is null
                or (receipt_link.document like '%"contrary":%'
                  and receipt_link.document not like '%"' || result.id || '"%')))
          or (select count(*) from result where result.site = receipt_link.site
            and result.receipt_id = receipt_link.from_receipt and result.contrary = 1)
          > receipt_link.known_contrary
          or (receipt_link.kind in ('split', 'merged') and exists (
            select 1 from result where result.site = receipt_link.site
              and result.receipt_id = receipt_link.from_receipt
              and result.container_label is null))
        )
    )`)
    .execute();
  return rows.map((r) => r.id);
}

function conforming(reader: Reader, site: string) {
  return reader
    .selectFrom('receipt')
    .select(['id', 'area', 'material', 'received_at', 'receipt.revision', 'linked'])
    .where('site', '=', site)
    .where('announced', '=', 1)
    .where(({ exists, selectFrom }) =>
      exists(
        selectFrom('statement')
          .select('statement.revision')
          .whereRef('statement.site', '=', 'receipt.site')
          .whereRef('statement.receipt_id', '=', 'receipt.id')
          .where('statement.outcome', '=', 'conforms'),
      ),
    )
    .where(({ not, exists, selectFrom }) =>
      not(
        exists(
          selectFrom('stop')
            .select('stop.id')
            .whereRef('stop.site', '=', 'receipt.site')
            .whereRef('stop.receipt_id', '=', 'receipt.id')
            .where('stop.lifted_at', 'is', null),
        ),
      ),
    )
    .orderBy('id');
}

/** Serials that measured each of these receipts. */
export async function instrumentsOf(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<ReadonlyMap<string, readonly string[]>> {
  const found = new Map<string, string[]>();
  for (let i = 0; i < receiptIds.length; i += IDS_MAX) {
    const rows = await reader
      .selectFrom('result')
      .select(['receipt_id', 'instrument_serial'])
      .distinct()
      .where('site', '=', site)
      .where('receipt_id', 'in', receiptIds.slice(i, i + IDS_MAX))
      .where('instrument_serial', 'is not', null)
      .execute();
    for (const { receipt_id: id, instrument_serial: serial } of rows) {
      if (id === null || serial === null) continue;
      const serials = found.get(id);
      if (serials) serials.push(serial);
      else found.set(id, [serial]);
    }
  }
  return found;
}

/** Values bound in one `in (…)`: far below what either database allows. */
const IDS_MAX = 1000;

/** Receipts with a stop whose delivery a read-back showed not to be effective. */
export async function receiptsWithIneffectiveStop(
  reader: Reader,
  site: string,
  limit: number,
): Promise<string[]> {
  const rows = await reader
    .selectFrom('delivery')
    .innerJoin('stop', 'stop.id', 'delivery.subject_id')
    .select('stop.receipt_id')
    .distinct()
    .where('delivery.site', '=', site)
    .where('delivery.subject_kind', '=', 'stop')
    .where('delivery.fault', 'in', INEFFECTIVE)
    .where('delivery.state', 'not in', CLOSED)
    .where(({ not, exists, selectFrom }) =>
      not(
        exists(
          selectFrom('stop as later')
            .select('later.id')
            .whereRef('later.site', '=', 'stop.site')
            .whereRef('later.receipt_id', '=', 'stop.receipt_id')
            .whereRef('later.statement_revision', '>', 'stop.statement_revision'),
        ),
      ),
    )
    .limit(limit)
    .execute();
  return rows.map((r) => r.receipt_id);
}
