import type { TraceCandidate, TracedKind } from '../statements/trace-view.js';
import type { Reader } from '../storage/database.js';

/** More candidates than anybody reads; whoever has more names a longer term. */
export const CANDIDATES_MAX = 50;

/** Rows that a term led to: a receipt where there is one, else the result, withdrawal or period itself. */
interface Hit {
  readonly by: string;
  readonly receiptId: string | null;
  readonly resultRowId?: string | null;
  readonly periodId?: string | null;
}

/**
 * What a term names, exactly as it is written: receipts by id, number, scan text, lot or container label, and by
 * result, delivery, idempotency key, destination's number or stop; results that belong to no receipt, also by what was
 * scanned; bundles; closed periods.
 */
export async function traceCandidates(
  reader: Reader,
  site: string,
  term: string,
): Promise<TraceCandidate[]> {
  const hits: Hit[] = [
    ...(await byReceipt(reader, site, term)),
    ...(await byResult(reader, site, term)),
    ...(await byUnownedScan(reader, site, term)),
    ...(await byDelivery(reader, site, term)),
    ...(await byStop(reader, site, term)),
    ...(await byPeriod(reader, site, term)),
  ];
  const found = new Map<string, Omit<TraceCandidate, 'name'>>();
  for (const hit of hits) {
    const of = subjectOf(hit);
    if (of !== null && !found.has(`${of.kind} ${of.id}`)) {
      found.set(`${of.kind} ${of.id}`, { ...of, by: hit.by });
    }
  }
  const bundles = await reader
    .selectFrom('bundle')
    .select('id')
    .where('site', '=', site)
    .where((e) => e.or([e('id', '=', term), e('bundle_id', '=', term)]))
    .orderBy('id')
    .limit(CANDIDATES_MAX)
    .execute();
  for (const { id } of bundles) found.set(`bundle ${id}`, { kind: 'bundle', id, by: 'bundle' });
  return named(reader, site, [...found.values()].slice(0, CANDIDATES_MAX));
}

function subjectOf(hit: Hit): { readonly kind: TracedKind; readonly id: string } | null {
  if (hit.receiptId !== null) return { kind: 'receipt', id: hit.receiptId };
  if (hit.resultRowId) return { kind: 'result', id: hit.resultRowId };
  return hit.periodId ? { kind: 'period', id: hit.periodId } : null;
}

async function byReceipt(reader: Reader, site: string, term: string): Promise<Hit[]> {
  const receipts = await reader
    .selectFrom('receipt')
    .select('id')
    .where('site', '=', site)
    // One that nobody announced holds a place only: what was scanned for it is a result without a receipt.
    .where((e) => e.or([e('announced', '=', 1), e('id', '=', term)]))
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
  const containers = await reader
    .selectFrom('container')
    .select('receipt_id')
    .where('site', '=', site)
    .where('label', '=', term)
    .orderBy('receipt_id')
    .limit(CANDIDATES_MAX)
    .execute();
  return [
    ...receipts.map((r) => ({ by: 'receipt or lot', receiptId: r.id })),
    ...containers.map((r) => ({ by: 'container', receiptId: r.receipt_id })),
  ];
}

async function byResult(reader: Reader, site: string, term: string): Promise<Hit[]> {
  const results = await reader
    .selectFrom('result')
    .select(['id', 'receipt_id'])
    .where('site', '=', site)
    .where((e) => e.or([e('id', '=', term), e('result_id', '=', term)]))
    .orderBy('id')
    .limit(CANDIDATES_MAX)
    .execute();
  return results.map((r) => ({ by: 'result', receiptId: r.receipt_id, resultRowId: r.id }));
}

/** Of results that belong to a receipt the receipt's own labels say it already. */
async function byUnownedScan(reader: Reader, site: string, term: string): Promise<Hit[]> {
  const results = await reader
    .selectFrom('result')
    .select('id')
    .where('site', '=', site)
    .where('receipt_id', 'is', null)
    .where((e) =>
      e.or([
        e('receipt_scanned', '=', term),
        e('container_scanned', '=', term),
        e('lot', '=', term),
      ]),
    )
    .orderBy('id')
    .limit(CANDIDATES_MAX)
    .execute();
  return results.map((r) => ({ by: 'scan without a receipt', receiptId: null, resultRowId: r.id }));
}

async function byDelivery(reader: Reader, site: string, term: string): Promise<Hit[]> {
  const deliveries = await reader
    .selectFrom('delivery')
    .leftJoin('withdrawal', (join) =>
      join
        .onRef('withdrawal.id', '=', 'delivery.subject_id')
        .on('delivery.subject_kind', '=', 'withdrawal'),
    )
    .select([
      'delivery.receipt_id',
      'delivery.subject_kind',
      'delivery.subject_id',
      'withdrawal.result_row_id',
    ])
    .where('delivery.site', '=', site)
    .where((e) =>
      e.or([
        e('delivery.id', '=', term),
        e('delivery.idempotency_key', '=', term),
        e('delivery.destination_reference', '=', term),
      ]),
    )
    .orderBy('delivery.id')
    .limit(CANDIDATES_MAX)
    .execute();
  return deliveries.map((d) => ({
    by: 'delivery',
    receiptId: d.receipt_id,
    resultRowId: d.subject_kind === 'result' ? d.subject_id : d.result_row_id,
    periodId: d.subject_kind === 'period' ? d.subject_id : null,
  }));
}

async function byStop(reader: Reader, site: string, term: string): Promise<Hit[]> {
  const stops = await reader
    .selectFrom('stop')
    .select('receipt_id')
    .where('site', '=', site)
    .where('id', '=', term)
    .execute();
  return stops.map((r) => ({ by: 'stop', receiptId: r.receipt_id }));
}

async function byPeriod(reader: Reader, site: string, term: string): Promise<Hit[]> {
  const periods = await reader
    .selectFrom('period')
    .select('id')
    .where('site', '=', site)
    .where('id', '=', term)
    .execute();
  return periods.map((r) => ({ by: 'period', receiptId: null, periodId: r.id }));
}

/** Bundles of a receipt, receipts and unowned results of a bundle, the bundle of a result. */
export async function relatedTo(
  reader: Reader,
  site: string,
  of: Pick<TraceCandidate, 'kind' | 'id'>,
): Promise<TraceCandidate[]> {
  if (of.kind === 'period') return [];
  const rows = await reader
    .selectFrom('result')
    .select(['id', 'bundle_row_id', 'receipt_id'])
    .where('site', '=', site)
    .where(COLUMN_OF[of.kind], '=', of.id)
    .orderBy('id')
    .limit(RELATED_ROWS_MAX)
    .execute();
  const found = new Map<string, Omit<TraceCandidate, 'name'>>();
  for (const row of rows) {
    const one =
      of.kind !== 'bundle'
        ? { kind: 'bundle' as const, id: row.bundle_row_id, by: 'it came with it' }
        : row.receipt_id !== null
          ? { kind: 'receipt' as const, id: row.receipt_id, by: 'its results' }
          : { kind: 'result' as const, id: row.id, by: 'its result without a receipt' };
    found.set(`${one.kind} ${one.id}`, one);
  }
  return named(reader, site, [...found.values()].slice(0, CANDIDATES_MAX));
}

const RELATED_ROWS_MAX = 5000;

/** Which results a thing has. */
export const COLUMN_OF = {
  receipt: 'receipt_id',
  bundle: 'bundle_row_id',
  result: 'id',
} as const;

async function named(
  reader: Reader,
  site: string,
  candidates: readonly Omit<TraceCandidate, 'name'>[],
): Promise<TraceCandidate[]> {
  const ids = (kind: TracedKind) => candidates.filter((c) => c.kind === kind).map((c) => c.id);
  const names = new Map<string, string>();
  const [receipts, bundles, results] = [ids('receipt'), ids('bundle'), ids('result')];
  if (receipts.length > 0) {
    for (const r of await reader
      .selectFrom('receipt')
      .select(['id', 'receipt_number', 'line', 'site_lot'])
      .where('site', '=', site)
      .where('id', 'in', receipts)
      .execute()) {
      const number = [r.receipt_number, r.line].filter((t) => t !== null).join(' / ');
      const lot = r.site_lot === null ? '' : `, lot ${r.site_lot}`;
      names.set(`receipt ${r.id}`, `${number === '' ? r.id : number}${lot}`);
    }
  }
  if (bundles.length > 0) {
    for (const b of await reader
      .selectFrom('bundle')
      .select(['id', 'bundle_id'])
      .where('site', '=', site)
      .where('id', 'in', bundles)
      .execute()) {
      names.set(`bundle ${b.id}`, b.bundle_id ?? 'unreadable');
    }
  }
  if (results.length > 0) {
    for (const r of await reader
      .selectFrom('result')
      .select(['id', 'result_id'])
      .where('site', '=', site)
      .where('id', 'in', results)
      .execute()) {
      names.set(`result ${r.id}`, r.result_id);
    }
  }
  return candidates.map((c) => ({ ...c, name: names.get(`${c.kind} ${c.id}`) ?? c.id }));
}
