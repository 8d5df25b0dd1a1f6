import { formatInstant, type Instant } from '../formats/instant.js';
import { addendaOf, findPeriod } from '../reconciliation/periods.store.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { TraceCandidate, TraceEvent } from '../statements/trace-view.js';
import type { Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { traceAttributions } from './trace-attribution.store.js';
import { COLUMN_OF } from './trace-candidates.store.js';

/** Rows of one kind; a story that has more is cut there, and says so. */
export const TRACE_ROWS_MAX = 5000;

/** Everything that is kept of a receipt, a bundle or a result, in the order in which it happened. */
export async function traceEvents(
  reader: Reader,
  site: string,
  of: Pick<TraceCandidate, 'kind' | 'id'>,
): Promise<TraceEvent[]> {
  if (of.kind === 'period') return periodEvents(reader, site, of.id);
  const results = await reader
    .selectFrom('result')
    .select(['id', 'result_id', 'bundle_row_id', 'state', 'decision', 'container_label'])
    .where('site', '=', site)
    .where(COLUMN_OF[of.kind], '=', of.id)
    .orderBy('id')
    .limit(TRACE_ROWS_MAX)
    .execute();
  const bundleIds = new Set(results.map((r) => r.bundle_row_id));
  if (of.kind === 'bundle') bundleIds.add(of.id);
  const rowIds = results.map((r) => r.id);
  const receipt = of.kind === 'receipt' ? of.id : null;
  const { add, inOrder } = newStory();
  const settledAt = new Map<string, Instant>();
  for (const bundle of await inChunks([...bundleIds], (ids) =>
    reader
      .selectFrom('bundle')
      .selectAll()
      .where('site', '=', site)
      .where('id', 'in', ids)
      .execute(),
  )) {
    const name = bundle.bundle_id ?? 'unreadable';
    add(bundle.received_at, 'bundle', bundle.id, `${name} taken in by ${bundle.source_kind}`);
    add(bundle.settled_at, 'bundle', bundle.id, `${name} is ${bundle.state}`);
    settledAt.set(bundle.id, bundle.settled_at ?? bundle.received_at);
  }
  for (const finding of await inChunks([...bundleIds], (ids) =>
    reader
      .selectFrom('finding')
      .select(['id', 'bundle_row_id', 'result_row_id', 'code', 'severity', 'message'])
      .where('site', '=', site)
      .where('bundle_row_id', 'in', ids)
      .execute(),
  )) {
    if (finding.result_row_id !== null && !rowIds.includes(finding.result_row_id)) continue;
    const at = settledAt.get(finding.bundle_row_id) ?? null;
    add(at, 'finding', finding.id, `${finding.severity} ${finding.code}: ${finding.message}`);
  }
  for (const r of results) {
    const what = `${r.result_id} on ${r.container_label ?? 'no container'}: ${r.decision ?? 'unreadable'}, now ${r.state}`;
    add(settledAt.get(r.bundle_row_id) ?? null, 'result', r.id, what);
  }
  await traceAttributions(reader, site, { receiptId: receipt, rowIds }, add);
  const deliveries = [
    ...(receipt === null
      ? []
      : await reader
          .selectFrom('delivery')
          .selectAll()
          .where('site', '=', site)
          .where('receipt_id', '=', receipt)
          .limit(TRACE_ROWS_MAX)
          .execute()),
    ...(await withdrawalsOf(reader, site, rowIds)),
    ...(await inChunks(rowIds, (ids) =>
      reader
        .selectFrom('delivery')
        .selectAll()
        .where('site', '=', site)
        .where('subject_kind', '=', 'result')
        .where('subject_id', 'in', ids)
        .execute(),
    )),
  ];
  const byId = new Map(deliveries.map((d) => [d.id, d]));
  await addDeliveries(reader, [...byId.values()], add);
  const subjects = [...rowIds, of.id];
  if (receipt !== null) subjects.push(...(await receiptEvents(reader, site, receipt, add)));
  await addTrail(reader, site, subjects, add);
  return inOrder();
}

/** Statements, stops and pulls of a receipt; returns the ids of its stops. */
async function receiptEvents(
  reader: Reader,
  site: string,
  receiptId: string,
  add: Add,
): Promise<string[]> {
  const ofReceipt = { site, receipt_id: receiptId };
  for (const s of await reader
    .selectFrom('statement')
    .select(['revision', 'outcome', 'evaluated_at'])
    .where((e) => e.and(ofReceipt))
    .limit(TRACE_ROWS_MAX)
    .execute()) {
    add(
      s.evaluated_at,
      'statement',
      `${receiptId} ${s.revision}`,
      `revision ${s.revision}: ${s.outcome}`,
    );
  }
  for (const p of await reader
    .selectFrom('statement_pull')
    .selectAll()
    .where((e) => e.and(ofReceipt))
    .orderBy('at', 'desc')
    .limit(TRACE_ROWS_MAX)
    .execute()) {
    add(p.at, 'pull', p.id, `revision ${p.revision}, ${p.outcome}, asked by ${p.caller}`);
  }
  const stops = await reader
    .selectFrom('stop')
    .selectAll()
    .where((e) => e.and(ofReceipt))
    .limit(TRACE_ROWS_MAX)
    .execute();
  for (const s of stops) {
    add(s.issued_at, 'stop', s.id, `${s.kind} issued: ${s.reason}`);
    add(s.effective_at, 'stop', s.id, 'effective');
    add(s.lifted_at, 'stop', s.id, `lifted, investigation ${s.investigation ?? ''}`);
  }
  return stops.map((s) => s.id);
}

async function inChunks<R>(
  ids: readonly string[],
  load: (some: string[]) => Promise<R[]>,
): Promise<R[]> {
  const rows: R[] = [];
  for (let i = 0; i < ids.length; i += 500) rows.push(...(await load(ids.slice(i, i + 500))));
  return rows;
}

type Add = (at: Instant | null, kind: string, id: string, what: string) => void;

function newStory(): { readonly add: Add; inOrder(): TraceEvent[] } {
  const events: [Instant, TraceEvent][] = [];
  return {
    add: (at, kind, id, what) => {
      if (at !== null) events.push([at, { at: formatInstant(at), kind, id, what }]);
    },
    inOrder: () =>
      events
        .sort(([a, x], [b, y]) => a - b || (`${x.kind} ${x.id}` < `${y.kind} ${y.id}` ? -1 : 1))
        .map(([, event]) => event),
  };
}

function messageWords(d: Pick<DeliveryRow, 'message' | 'subject_revision'>): string {
  return `${d.message} revision ${d.subject_revision}`;
}

/** Deliveries with every send and question, and what their destinations showed. */
async function addDeliveries(
  reader: Reader,
  deliveries: readonly DeliveryRow[],
  add: Add,
): Promise<void> {
  for (const d of deliveries) {
    add(d.created_at, 'delivery', d.id, `${messageWords(d)} for ${d.destination}, now ${d.state}`);
    add(
      d.confirmed_at,
      'read-back',
      d.id,
      `${d.destination} shows ${messageWords(d)} as ${d.destination_reference ?? 'unnumbered'}`,
    );
  }
  const byId = new Map(deliveries.map((d) => [d.id, d]));
  for (const a of await inChunks([...byId.keys()], (some) =>
    reader.selectFrom('attempt').selectAll().where('delivery_id', 'in', some).execute(),
  )) {
    const answer = `${a.outcome ?? 'no outcome'}${a.status === null ? '' : `, status ${a.status}`}`;
    const d = byId.get(a.delivery_id);
    const about = d === undefined ? '' : ` ${messageWords(d)} at ${d.destination}`;
    add(a.started_at, 'attempt', a.delivery_id, `${a.kind} ${a.number}${about}: ${answer}`);
  }
}

/** What the trail and signatures say of these subjects. */
async function addTrail(
  reader: Reader,
  site: string,
  subjects: readonly string[],
  add: Add,
): Promise<void> {
  for (const e of await inChunks(subjects, (ids) =>
    reader
      .selectFrom('audit_entry')
      .select(['id', 'at', 'actor', 'action', 'subject_id', 'reason'])
      .where('site', '=', site)
      .where('subject_id', 'in', ids)
      .execute(),
  )) {
    const reason = e.reason === null ? '' : `: ${e.reason}`;
    add(e.at, 'trail', e.id, `${e.action} by ${e.actor}${reason}`);
  }
  for (const s of await inChunks(subjects, (ids) =>
    reader
      .selectFrom('signature')
      .selectAll()
      .where('site', '=', site)
      .where('subject_id', 'in', ids)
      .execute(),
  )) {
    const what = `${s.meaning} ${s.subject_kind} by ${s.printed_name}: ${s.reason}`;
    add(s.at, 'signature', s.id, what);
  }
}

/** Withdrawals of results, whether they belong to a receipt or not. */
function withdrawalsOf(reader: Reader, site: string, rowIds: readonly string[]) {
  return inChunks(rowIds, (ids) =>
    reader
      .selectFrom('delivery')
      .innerJoin('withdrawal', 'withdrawal.id', 'delivery.subject_id')
      .selectAll('delivery')
      .where('delivery.site', '=', site)
      .where('delivery.subject_kind', '=', 'withdrawal')
      .where('withdrawal.result_row_id', 'in', ids)
      .execute(),
  );
}

/** A closed period: its signatures, its addenda, and what its destinations were told. */
async function periodEvents(reader: Reader, site: string, id: string): Promise<TraceEvent[]> {
  const { add, inOrder } = newStory();
  const period = await findPeriod(reader, site, id);
  if (!period) return [];
  const signed = [period.signature];
  for (const a of await addendaOf(reader, site, id)) {
    add(a.opened_at, 'addendum', a.id, `addendum ${a.number} opened`);
    if (a.signature !== null) signed.push(a.signature);
  }
  for (const s of await signaturesByIds(reader, site, signed)) {
    const what = `${s.meaning} ${s.subject.kind} by ${s.printedName}: ${s.reason}`;
    add(s.at, 'signature', s.id, what);
  }
  const deliveries = await reader
    .selectFrom('delivery')
    .selectAll()
    .where('site', '=', site)
    .where('subject_kind', '=', 'period')
    .where('subject_id', '=', id)
    .execute();
  await addDeliveries(reader, deliveries, add);
  return inOrder();
}
