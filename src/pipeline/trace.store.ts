import { formatInstant, type Instant } from '../formats/instant.js';
import type { Reader } from '../storage/database.js';
import { traceAttributions } from './trace-attribution.store.js';

/** What a term stands for. */
export interface TraceCandidate {
  readonly kind: 'receipt' | 'bundle';
  readonly id: string;
  /** Why it is one: the column in which the term stands. */
  readonly by: string;
}

/** One thing that happened, in the order in which it did. */
export interface TraceEvent {
  /** RFC 3339 in UTC. */
  readonly at: string;
  readonly kind: string;
  readonly id: string;
  readonly what: string;
}

/** More candidates than anybody reads; whoever has more names a longer term. */
const CANDIDATES_MAX = 50;
/** Rows of one kind; a story that has more is cut there, and says so. */
export const TRACE_ROWS_MAX = 5000;

/**
 * Receipts that a term names, exactly as it is written: by receipt id, number, scan text or lot, container label,
 * result id or row, delivery id, idempotency key or destination's number, stop; else bundles of that id.
 */
export async function traceCandidates(
  reader: Reader,
  site: string,
  term: string,
): Promise<TraceCandidate[]> {
  const found = new Map<string, TraceCandidate>();
  const add = (by: string, ids: readonly (string | null)[]) => {
    for (const id of ids) {
      if (id !== null && !found.has(id)) found.set(id, { kind: 'receipt', id, by });
    }
  };
  const receipts = await reader
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', site)
    .where((e) =>
      e.or([
        e('id', '=', term),
        e('receipt_number', '=', term),
        e('scan_text', '=', term),
        e('site_lot', '=', term),
        e('supplier_lot', '=', term),
      ]),
    )
    .orderBy('id')
    .limit(CANDIDATES_MAX)
    .execute();
  add(
    'receipt or lot',
    receipts.map((r) => r.id),
  );
  const containers = await reader
    .selectFrom('container')
    .select('receipt_id')
    .where('site', '=', site)
    .where('label', '=', term)
    .orderBy('receipt_id')
    .limit(CANDIDATES_MAX)
    .execute();
  add(
    'container',
    containers.map((r) => r.receipt_id),
  );
  const results = await reader
    .selectFrom('result')
    .select('receipt_id')
    .distinct()
    .where('site', '=', site)
    .where((e) => e.or([e('id', '=', term), e('result_id', '=', term)]))
    .limit(CANDIDATES_MAX)
    .execute();
  add(
    'result',
    results.map((r) => r.receipt_id),
  );
  const deliveries = await reader
    .selectFrom('delivery')
    .select('receipt_id')
    .distinct()
    .where('site', '=', site)
    .where((e) =>
      e.or([
        e('id', '=', term),
        e('idempotency_key', '=', term),
        e('destination_reference', '=', term),
      ]),
    )
    .limit(CANDIDATES_MAX)
    .execute();
  add(
    'delivery',
    deliveries.map((r) => r.receipt_id),
  );
  const stops = await reader
    .selectFrom('stop')
    .select('receipt_id')
    .where('site', '=', site)
    .where('id', '=', term)
    .execute();
  add(
    'stop',
    stops.map((r) => r.receipt_id),
  );
  const bundles = await reader
    .selectFrom('bundle')
    .select('id')
    .where('site', '=', site)
    .where((e) => e.or([e('id', '=', term), e('bundle_id', '=', term)]))
    .orderBy('id')
    .limit(CANDIDATES_MAX)
    .execute();
  for (const { id } of bundles) found.set(id, { kind: 'bundle', id, by: 'bundle' });
  return [...found.values()].slice(0, CANDIDATES_MAX);
}

/** Everything that is kept of a receipt or of a bundle, in the order in which it happened. */
export async function traceEvents(
  reader: Reader,
  site: string,
  of: TraceCandidate,
): Promise<TraceEvent[]> {
  const results = await reader
    .selectFrom('result')
    .select(['id', 'result_id', 'bundle_row_id', 'state', 'decision', 'container_label'])
    .where('site', '=', site)
    .where(of.kind === 'receipt' ? 'receipt_id' : 'bundle_row_id', '=', of.id)
    .orderBy('id')
    .limit(TRACE_ROWS_MAX)
    .execute();
  const bundleIds = new Set(results.map((r) => r.bundle_row_id));
  if (of.kind === 'bundle') bundleIds.add(of.id);
  const rowIds = results.map((r) => r.id);
  const receipt = of.kind === 'receipt' ? of.id : null;
  const events: [Instant, TraceEvent][] = [];
  const add = (at: Instant | null, kind: string, id: string, what: string) => {
    if (at !== null) events.push([at, { at: formatInstant(at), kind, id, what }]);
  };
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
  for (const d of byId.values()) {
    const what = `${d.message} revision ${d.subject_revision} for ${d.destination}, now ${d.state}`;
    add(d.created_at, 'delivery', d.id, what);
    add(
      d.confirmed_at,
      'read-back',
      d.id,
      `${d.destination} shows it as ${d.destination_reference ?? 'unnumbered'}`,
    );
  }
  for (const a of await inChunks([...byId.keys()], (ids) =>
    reader.selectFrom('attempt').selectAll().where('delivery_id', 'in', ids).execute(),
  )) {
    const answer = `${a.outcome ?? 'no outcome'}${a.status === null ? '' : `, status ${a.status}`}`;
    add(a.started_at, 'attempt', a.delivery_id, `${a.kind} ${a.number}: ${answer}`);
  }
  const subjects = [...rowIds, of.id];
  if (receipt !== null) subjects.push(...(await receiptEvents(reader, site, receipt, add)));
  for (const e of await inChunks(subjects, (ids) =>
    reader
      .selectFrom('audit_entry')
      .select(['id', 'at', 'actor', 'action', 'subject_id', 'reason'])
      .where('site', '=', site)
      .where('subject_id', 'in', ids)
      .execute(),
  )) {
    add(
      e.at,
      'trail',
      e.id,
      `${e.action} by ${e.actor}${e.reason === null ? '' : `: ${e.reason}`}`,
    );
  }
  for (const s of await inChunks(subjects, (ids) =>
    reader
      .selectFrom('signature')
      .selectAll()
      .where('site', '=', site)
      .where('subject_id', 'in', ids)
      .execute(),
  )) {
    add(
      s.at,
      'signature',
      s.id,
      `${s.meaning} ${s.subject_kind} by ${s.printed_name}: ${s.reason}`,
    );
  }
  return events
    .sort(([a, x], [b, y]) => a - b || (`${x.kind} ${x.id}` < `${y.kind} ${y.id}` ? -1 : 1))
    .map(([, event]) => event);
}

/** Statements, stops and pulls of a receipt; returns the ids of its stops. */
async function receiptEvents(
  reader: Reader,
  site: string,
  receiptId: string,
  add: (at: Instant | null, kind: string, id: string, what: string) => void,
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
