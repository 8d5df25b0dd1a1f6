import { formatInstant } from '../formats/instant.js';
import { writtenText } from '../formats/written-text.js';
import {
  type AttributionSubject,
  escalationSubject,
  periodSubject,
  resultSubject,
  type Subject,
  type SubjectHead,
  statementSubject,
  stopSubject,
  withdrawalSubject,
} from '../mapping/subjects.js';
import { attributionAtRevision } from '../receipts/attributions.store.js';
import { periodRecord } from '../reconciliation/period-record.js';
import { addendaOf, findPeriod } from '../reconciliation/periods.store.js';
import type { PeriodRecord } from '../records/period-record.js';
import type { ResultRecord, WithdrawalRecord } from '../records/result-record.js';
import {
  type ReceiptIdentity,
  STOP_REASON_MAX,
  type StatementRecord,
  type StopRecord,
} from '../records/statement-record.js';
import type { StopEscalationRecord } from '../records/stop-escalation-record.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import { statementAtRevision } from '../statements/statements.store.js';
import type { Reader } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { DeliveryRow } from '../storage/tables.js';

/** Loads what a delivery speaks of, in the form mappings read. Throws when the rows it names are missing. */
export async function loadSubject(db: Reader, delivery: DeliveryRow): Promise<Subject> {
  const head: SubjectHead = {
    reference: delivery.id,
    idempotencyKey: delivery.idempotency_key,
    build: delivery.build,
  };
  switch (delivery.subject_kind) {
    case 'result':
      return resultSubject(
        head,
        { ...(await loadRecord(db, delivery.subject_id)), revision: delivery.subject_revision },
        await loadReceipt(db, delivery.site, delivery.receipt_id),
        await loadAttribution(db, delivery),
      );
    case 'withdrawal':
      return withdrawalSubject(head, await loadWithdrawal(db, delivery.subject_id));
    case 'statement':
      return statementSubject(head, await loadStatement(db, delivery, delivery.subject_id));
    case 'period':
      return periodSubject(head, await loadPeriod(db, delivery));
    case 'stop': {
      const { statement, record } = await loadStop(db, delivery);
      return stopSubject(head, statement, record);
    }
    case 'stop-escalation':
      return escalationSubject(head, await loadEscalation(db, delivery));
  }
}

async function loadRecord(db: Reader, resultRowId: string): Promise<ResultRecord> {
  const [row] = (await recordOf(db, { resultRowId })).rows;
  const record = row?.record ?? null;
  if (record === null) throw new Error(`result ${resultRowId} has no record`);
  return JSON.parse(record) as ResultRecord;
}

/**
 * Whose it is at a revision: as scanned until an act was signed that says otherwise. A result that was held after it
 * had been accepted, and then cleared, has another revision without one.
 */
async function loadAttribution(
  db: Reader,
  delivery: DeliveryRow,
): Promise<AttributionSubject | null> {
  const { site, subject_id: resultRowId, subject_revision: revision } = delivery;
  if (revision === 1) return null;
  const row = await attributionAtRevision(db, site, { resultRowId, revision });
  if (row === null) return null;
  const [signature] = await signaturesByIds(db, site, [row.signature_id ?? '']);
  if (signature === undefined) {
    throw new Error(`the signature of attribution ${row.id} is not there`);
  }
  return {
    container: row.to_label,
    reason: row.reason,
    signedBy: signature.printedName,
    signedAt: formatInstant(signature.at),
  };
}

const recordOf = prepared((db, of: { readonly resultRowId: string }) =>
  db.selectFrom('result').select('record').where('id', '=', of.resultRowId),
);

async function loadReceipt(
  db: Reader,
  site: string,
  receiptId: string | null,
): Promise<ReceiptIdentity | null> {
  if (receiptId === null) return null;
  const [row] = (await announcedReceipt(db, { site, receiptId })).rows;
  if (!row) return null;
  return {
    receiptId: row.id,
    receiptNumber: row.receipt_number,
    line: row.line,
    material: row.material,
    manufacturer: row.manufacturer,
    supplier: row.supplier,
    supplierLot: row.supplier_lot,
    siteLot: row.site_lot,
    area: row.area,
  };
}

const announcedReceipt = prepared((db, of: { readonly site: string; readonly receiptId: string }) =>
  db
    .selectFrom('receipt')
    .selectAll()
    .where('site', '=', of.site)
    .where('id', '=', of.receiptId)
    .where('announced', '=', 1),
);

async function loadWithdrawal(db: Reader, id: string): Promise<WithdrawalRecord> {
  const row = await db
    .selectFrom('withdrawal')
    .select('document')
    .where('id', '=', id)
    .executeTakeFirstOrThrow();
  return JSON.parse(row.document) as WithdrawalRecord;
}

async function loadStatement(
  db: Reader,
  delivery: DeliveryRow,
  receiptId: string,
): Promise<StatementRecord> {
  const { site, subject_revision: revision } = delivery;
  const statement = await statementAtRevision(db, site, receiptId, revision);
  if (!statement) throw new Error(`receipt ${receiptId} has no statement revision ${revision}`);
  return statement;
}

/** A stop with the statement that its delivery speaks of: mostly the very revision that issued it. */
async function loadStop(
  db: Reader,
  delivery: DeliveryRow,
): Promise<{ readonly statement: StatementRecord; readonly record: StopRecord }> {
  const [row] = (await stopById(db, { id: delivery.subject_id })).rows;
  if (!row) throw new Error(`stop ${delivery.subject_id} is not there`);
  const { receipt_id: receiptId, statement_revision: issuedAt } = row;
  const statement = await loadStatement(db, delivery, receiptId);
  const issuing =
    statement.revision === issuedAt
      ? statement
      : await statementAtRevision(db, row.site, receiptId, issuedAt);
  const record = issuing?.stopInForce;
  if (!record) throw new Error(`stop ${row.id} is not in force in its own statement revision`);
  return { statement, record };
}

/** A use of the second channel, as its row and its stop say it. */
async function loadEscalation(db: Reader, delivery: DeliveryRow): Promise<StopEscalationRecord> {
  const row = await db
    .selectFrom('stop_escalation')
    .selectAll()
    .where('id', '=', delivery.subject_id)
    .executeTakeFirstOrThrow();
  const [stop] = (await stopById(db, { id: row.stop_id })).rows;
  if (!stop) throw new Error(`stop ${row.stop_id} is not there`);
  const { receipt_id: receiptId, statement_revision: statementRevision } = stop;
  const issuing = await statementAtRevision(db, stop.site, receiptId, statementRevision);
  if (!issuing) throw new Error(`receipt ${receiptId} has no revision ${statementRevision}`);
  return {
    schema: 'drumline-stop-escalation',
    version: '1.0',
    site: stop.site,
    environment: issuing.environment,
    stopId: stop.id,
    kind: stop.kind,
    receiptId,
    statementRevision,
    reason: writtenText(stop.reason, STOP_REASON_MAX),
    issuedAt: formatInstant(stop.issued_at),
    number: row.number,
    person: row.person,
    why: row.why,
    escalatedAt: formatInstant(row.at),
  };
}

const stopById = prepared((db, of: { readonly id: string }) =>
  db.selectFrom('stop').selectAll().where('id', '=', of.id),
);

async function loadPeriod(db: Reader, delivery: DeliveryRow): Promise<PeriodRecord> {
  const { site, subject_id: id, subject_revision: revision } = delivery;
  const period = await findPeriod(db, site, id);
  if (!period) throw new Error(`period ${id} is not there`);
  const addendum =
    revision === 1
      ? null
      : (await addendaOf(db, site, id)).find(
          (a) => a.number === revision - 1 && a.signature !== null,
        );
  if (addendum === undefined)
    throw new Error(`period ${id} has no signed addendum ${revision - 1}`);
  const ids = [addendum?.signature ?? period.signature];
  const [signature] = await signaturesByIds(db, site, ids);
  if (!signature) throw new Error(`the signature of period ${id} is not there`);
  return periodRecord({ period, addendum, signature });
}
