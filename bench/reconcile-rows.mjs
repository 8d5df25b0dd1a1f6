// Rows as the gateway would have stored them, written in bulk: what is measured is what reads them.
const DAY_US = 86_400_000_000;
const RECEIPTS_A_DAY = 100;
const CONTAINERS = 20;
const ROWS = 200;
/** First day: results of a receipt are measured an hour after its goods receipt, at noon of the site. */
const FIRST_DAY_US = Date.UTC(2026, 0, 5, 11) * 1000;

export const receiptId = (n) => `BENCH-${String(n).padStart(7, '0')}`;
export const dayOfReceipt = (n) =>
  new Date((FIRST_DAY_US + Math.floor(n / RECEIPTS_A_DAY) * DAY_US) / 1000)
    .toISOString()
    .slice(0, 10);
export const endOf = (receipts) =>
  FIRST_DAY_US + Math.ceil(receipts / RECEIPTS_A_DAY) * DAY_US + DAY_US;

/** Adds receipts `[from, to)` with 20 containers and results each, confirmed at every destination. */
export async function addReceipts(database, site, from, to) {
  for (let n = from; n < to; n += 50) {
    const some = Array.from({ length: Math.min(50, to - n) }, (_, i) => n + i);
    await database.transact(async (trx) => {
      const insert = async (table, rows) => {
        for (let i = 0; i < rows.length; i += ROWS) {
          await trx
            .insertInto(table)
            .values(rows.slice(i, i + ROWS))
            .execute();
        }
      };
      await insert(
        'receipt',
        some.map((k) => receipt(site, k)),
      );
      await insert(
        'bundle',
        some.map((k) => bundle(site, k)),
      );
      await insert(
        'container',
        some.flatMap((k) => each((c) => container(site, k, c))),
      );
      await insert(
        'result',
        some.flatMap((k) => each((c) => result(site, k, c))),
      );
      await insert(
        'delivery',
        some.flatMap((k) =>
          each((c) => site.destinations.map((d) => delivery(site, k, c, d.name))).flat(),
        ),
      );
    });
  }
}

const each = (make) => Array.from({ length: CONTAINERS }, (_, c) => make(c + 1));
const label = (c) => `D-${String(c).padStart(2, '0')}`;
const receivedAt = (n) => FIRST_DAY_US + Math.floor(n / RECEIPTS_A_DAY) * DAY_US;
const resultRow = (n, c) => `${receiptId(n)}-${label(c)}`;

function receipt({ site, areas }, n) {
  return {
    id: receiptId(n),
    site,
    announced: 1,
    receipt_number: `GR ${n}`,
    line: '10',
    material: 'NQ-1001',
    manufacturer: 'Maker A (simulated)',
    supplier: 'Trader B (simulated)',
    supplier_lot: `SL-${n}`,
    site_lot: `L-${n}`,
    quantity: '50 kg',
    area: areas[n % areas.length].id,
    received_at: receivedAt(n),
    dock_count: CONTAINERS,
    counted_by: 'dock',
    retest_at: null,
    scan_text: `RC-${n}`,
    plan: null,
    revision: 1,
    facts_version: 1,
    evaluation_due: 0,
  };
}

function bundle({ site }, n) {
  const id = `bundle-${receiptId(n)}`;
  const at = receivedAt(n) + 3_600_000_000;
  return {
    id,
    site,
    bundle_id: id,
    raw_sha256: id,
    canonical_digest: id,
    state: 'accepted',
    duplicate_of: null,
    source_kind: 'http',
    source_name: 'bench',
    file_name: null,
    received_at: at,
    settled_at: at,
    environment: 'training',
    origin: 'simulated',
    instrument_serial: 'NQ-R-0001',
    run_epoch: 1,
    run_first: n * CONTAINERS,
    run_last: n * CONTAINERS + CONTAINERS - 1,
    strikes: 0,
    examining_by: null,
    lane: '',
  };
}

function container({ site }, n, c) {
  return {
    site,
    receipt_id: receiptId(n),
    label: label(c),
    normalised: label(c),
    required: 1,
    position: c,
  };
}

function result({ site, instruments }, n, c) {
  return {
    id: resultRow(n, c),
    site,
    result_id: `result-${n}-${c}`,
    revision: 1,
    bundle_row_id: `bundle-${receiptId(n)}`,
    pointer: `/results/${c}`,
    state: 'accepted',
    instrument_serial: instruments[n % instruments.length].serial,
    run_epoch: 1,
    run_number: n * CONTAINERS + c,
    mode: 'verification',
    decision: 'pass',
    contrary: 0,
    receipt_id: receiptId(n),
    receipt_scanned: `RC-${n}`,
    container_scanned: label(c),
    container_label: label(c),
    material: 'NQ-1001',
    matched_material: null,
    lot: `L-${n}`,
    method_id: 'ID-NQ-1001',
    method_version: '1',
    operator_id: 'op-1',
    measured_at: receivedAt(n) + 1_800_000_000 + c,
    measured_text: null,
    environment: 'training',
    origin: 'simulated',
    recheck: '{"answer":"agrees","score":null,"reason":""}',
    record: '{"method":{"digest":"bench"}}',
    record_sha256: 'bench',
    animl_sha256: null,
    animl_writer: null,
    spectrum_sha256: null,
    intensity_sha256: null,
    element_sha256: resultRow(n, c),
    supersedes: null,
  };
}

function delivery({ site }, n, c, destination) {
  const id = `${resultRow(n, c)}-${destination}`;
  const at = receivedAt(n) + 3_700_000_000;
  return {
    id,
    site,
    subject_kind: 'result',
    subject_id: resultRow(n, c),
    subject_revision: 1,
    receipt_id: receiptId(n),
    destination,
    message: 'result',
    build: 1,
    state: 'confirmed',
    ordering_key: `result:result-${n}-${c}`,
    seq: 1,
    barrier: 0,
    contrary: 0,
    mapping_digest: 'bench',
    payload_sha256: null,
    content_type: null,
    request: null,
    idempotency_key: `${id}.1`,
    created_at: at,
    due_at: at,
    attempts: 1,
    absent_asks: 0,
    next_ask_at: null,
    fence: 1,
    claimed_by: null,
    accepted_at: at,
    confirmed_at: at,
    destination_reference: null,
    reason: null,
    fault: null,
  };
}
