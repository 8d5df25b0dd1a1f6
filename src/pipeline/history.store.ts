import type { ReadableExamination } from '../checks/examination.js';
import type {
  HistoryFacts,
  InstrumentHistory,
  KnownResult,
  ReceiptFacts,
  RunPlace,
} from '../checks/history-facts.js';
import { chainBroken } from '../checks/rules/chain-broken.js';
import type { RunRange } from '../checks/run-ranges.js';
import type { Instant } from '../formats/instant.js';
import { normaliseLabel } from '../receipts/label.js';
import type { ScanTargets } from '../receipts/scan-match.js';
import type { Reader } from '../storage/database.js';
import { prepared, preparedForList } from '../storage/prepared.js';
import { sideBySide } from '../storage/side-by-side.js';
import type { BundleRow, InstrumentStateRow } from '../storage/tables.js';

/** Values bound in one `in (…)`. */
const CHUNK = 1000;

/**
 * Loads what the history rules need to know, in the transaction that acts on their answer.
 *
 * @param state of the bundle's instrument, undefined when nothing came from it before
 */
export async function loadHistory(
  db: Reader,
  site: string,
  bundleRowId: string,
  examination: ReadableExamination,
  targets: ScanTargets,
  state: InstrumentStateRow | undefined,
): Promise<HistoryFacts> {
  const { header } = examination;
  const resultIds = examination.results.map((r) => r.reading.resultId).filter((id) => id !== null);
  const checkIds = examination.performanceChecks
    .map((c) => c.check?.checkId)
    .filter((id) => id !== undefined);
  const [results, checks, instrument, sameBundleId] = await sideBySide(db, [
    () => knownResults(db, site, resultIds),
    () => knownChecks(db, site, checkIds),
    async () => (state === undefined ? null : await instrumentHistory(db, state, header)),
    () => digestUnderSameId(db, site, bundleRowId, header.bundleId),
  ]);
  return {
    instrument,
    sameBundleId,
    results: results.known,
    performanceChecks: new Map(checks.map((row) => [row.check_id, row.element_sha256])),
    places: placesOf([...results.rows, ...checks]),
    receipts: receiptFacts(examination, targets),
  };
}

/** What is known of an instrument; undefined when nothing came from it, or when nobody can tell which it is. */
export async function loadInstrumentState(
  db: Reader,
  site: string,
  serial: string | null,
): Promise<InstrumentStateRow | undefined> {
  if (serial === null) return undefined;
  return (await instrumentState(db, { site, serial })).rows[0];
}

const instrumentState = prepared((db, of: { readonly site: string; readonly serial: string }) =>
  db
    .selectFrom('instrument_state')
    .selectAll()
    .where('site', '=', of.site)
    .where('serial', '=', of.serial),
);

export function readCovered(state: InstrumentStateRow): RunRange[] {
  return JSON.parse(state.covered) as RunRange[];
}

async function instrumentHistory(
  db: Reader,
  state: InstrumentStateRow,
  header: ReadableExamination['header'],
): Promise<InstrumentHistory> {
  const covered = readCovered(state);
  const lowest = covered.reduce((least, { epoch }) => Math.min(least, epoch), state.epoch);
  const isBelow = header.runEpoch !== null && header.runEpoch < lowest;
  return {
    epoch: state.epoch,
    lastRun: state.last_run,
    covered,
    bundles: await bundlesByDigest(db, state, header.previousBundle),
    ...(isBelow
      ? { unaskedBeginnings: { epoch: lowest, missing: await missingBefore(db, state, lowest) } }
      : {}),
  };
}

/** First bundles of an epoch that are looked at: one, and those that hold the same runs again. */
const FIRST_MAX = 20;

/**
 * What the first bundles of an epoch follow on, as far as that was not taken since. One that is held is left out: it
 * blocks by itself, and what takes its place is judged when it comes.
 */
async function missingBefore(
  db: Reader,
  { site, serial }: InstrumentStateRow,
  epoch: number,
): Promise<(string | null)[]> {
  const missing = new Set<string | null>();
  for (const { id, settled_at: settledAt } of await firstBundlesOf(db, { site, serial, epoch })) {
    const broken = await db
      .selectFrom('finding')
      .select('numbers')
      .where('bundle_row_id', '=', id)
      .where('code', '=', chainBroken.info.code)
      .executeTakeFirst();
    if (broken === undefined) {
      // Nothing was said: it names one that was taken or, first of its instrument ever, none.
      if (!(await isAnySettledBefore(db, { site, serial, settledAt }))) missing.add(null);
      continue;
    }
    const { previousBundle: digest } = JSON.parse(broken.numbers ?? '{}') as {
      readonly previousBundle?: string;
    };
    if (digest === undefined) continue;
    if ((await bundleByDigest(db, { site, serial, digest })).rows.length === 0) missing.add(digest);
  }
  return [...missing];
}

async function firstBundlesOf(
  db: Reader,
  of: { readonly site: string; readonly serial: string; readonly epoch: number },
): Promise<Pick<BundleRow, 'id' | 'settled_at'>[]> {
  return await db
    .selectFrom('bundle')
    .select(['id', 'settled_at'])
    .where('site', '=', of.site)
    .where('instrument_serial', '=', of.serial)
    .where('run_epoch', '=', of.epoch)
    .where('state', '=', 'accepted')
    .where((e) =>
      e.or([e('run_first', '=', 1), e.and([e('run_first', 'is', null), e('run_last', '=', 0)])]),
    )
    .orderBy('settled_at')
    .orderBy('id')
    .limit(FIRST_MAX)
    .execute();
}

async function isAnySettledBefore(
  db: Reader,
  of: { readonly site: string; readonly serial: string; readonly settledAt: Instant | null },
): Promise<boolean> {
  if (of.settledAt === null) return false;
  const row = await db
    .selectFrom('bundle')
    .select('id')
    .where('site', '=', of.site)
    .where('instrument_serial', '=', of.serial)
    .where('settled_at', '<', of.settledAt)
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

/** Only the digest asked about matters; an instrument may have sent thousands of bundles. */
async function bundlesByDigest(
  db: Reader,
  { site, serial }: InstrumentStateRow,
  digest: string | null,
): Promise<ReadonlySet<string>> {
  if (digest === null) return new Set();
  const { rows } = await bundleByDigest(db, { site, serial, digest });
  return new Set(rows.map((row) => row.raw_sha256));
}

const bundleByDigest = prepared(
  (db, of: { readonly site: string; readonly serial: string; readonly digest: string }) =>
    db
      .selectFrom('bundle')
      .select('raw_sha256')
      .where('site', '=', of.site)
      .where('raw_sha256', '=', of.digest)
      .where('instrument_serial', '=', of.serial),
);

async function digestUnderSameId(
  db: Reader,
  site: string,
  bundleRowId: string,
  bundleId: string,
): Promise<string | null> {
  const { rows } = await bundlesByClaimedId(db, { site, bundleRowId, bundleId });
  // Looked for here: as a condition it would lead the database to every bundle that has a digest.
  return rows.find((row) => row.canonical_digest !== null)?.canonical_digest ?? null;
}

const bundlesByClaimedId = prepared(
  (db, of: { readonly site: string; readonly bundleRowId: string; readonly bundleId: string }) =>
    db
      .selectFrom('bundle')
      .select('canonical_digest')
      .where('site', '=', of.site)
      .where('bundle_id', '=', of.bundleId)
      .where('id', '!=', of.bundleRowId)
      .orderBy('received_at')
      .orderBy('id'),
);

async function knownResults(
  db: Reader,
  site: string,
  ids: readonly string[],
): Promise<{ known: Map<string, KnownResult>; rows: readonly PlacedRow[] }> {
  const known = new Map<string, KnownResult>();
  const all: PlacedRow[] = [];
  for (let i = 0; i < ids.length; i += CHUNK) {
    const { rows } = await resultsById(db, { site }, ids.slice(i, i + CHUNK));
    all.push(...rows);
    for (const [id, copies] of byResultId(rows)) {
      const first = copies.at(-1);
      if (first === undefined) continue;
      // What came under its id with other content is no copy of it.
      const own = copies.filter((copy) => copy.element_sha256 === first.element_sha256);
      const isOutWithBundle = own.every(
        (copy) =>
          (copy.state === 'held' || copy.state === 'refused') &&
          (copy.bundle_state === 'held' || copy.bundle_state === 'refused'),
      );
      known.set(id, { sha256: first.element_sha256, isOutWithBundle });
    }
  }
  return { known, rows: all };
}

/** An entry of a bundle with the run count it stands in. */
interface PlacedRow {
  readonly element_sha256: string;
  readonly instrument_serial: string | null;
  readonly run_epoch: number | null;
  readonly bundle_state: BundleRow['state'];
}

/** What is out with its bundle stands nowhere: its runs may come again as those of the right instrument. */
function placesOf(rows: readonly PlacedRow[]): Map<string, RunPlace[]> {
  const places = new Map<string, RunPlace[]>();
  for (const { element_sha256, instrument_serial: instrument, run_epoch: epoch, ...row } of rows) {
    const isOut = row.bundle_state === 'held' || row.bundle_state === 'refused';
    if (isOut || instrument === null || epoch === null) continue;
    const known = places.get(element_sha256);
    if (known) known.push({ instrument, epoch });
    else places.set(element_sha256, [{ instrument, epoch }]);
  }
  return places;
}

function byResultId<R extends { readonly result_id: string }>(
  rows: readonly R[],
): Map<string, R[]> {
  const grouped = new Map<string, R[]>();
  for (const row of rows) {
    const same = grouped.get(row.result_id);
    if (same) same.push(row);
    else grouped.set(row.result_id, [row]);
  }
  return grouped;
}

/** Latest first. */
const resultsById = preparedForList((db, of: { readonly site: string }, ids) =>
  db
    .selectFrom('result')
    .innerJoin('bundle', 'bundle.id', 'result.bundle_row_id')
    .select([
      'result.result_id',
      'result.element_sha256',
      'result.instrument_serial',
      'result.run_epoch',
      'result.state',
      'bundle.state as bundle_state',
    ])
    .where('result.site', '=', of.site)
    .where('result.result_id', 'in', ids)
    .orderBy('result.id', 'desc'),
);

async function knownChecks(
  db: Reader,
  site: string,
  ids: readonly string[],
): Promise<(PlacedRow & { readonly check_id: string })[]> {
  const known: (PlacedRow & { readonly check_id: string })[] = [];
  for (let i = 0; i < ids.length; i += CHUNK) {
    const rows = await db
      .selectFrom('performance_check as c')
      .innerJoin('bundle', 'bundle.id', 'c.bundle_row_id')
      .select([
        'c.check_id',
        'c.element_sha256',
        'c.instrument_serial',
        'c.run_epoch',
        'bundle.state as bundle_state',
      ])
      .where('c.site', '=', site)
      .where('c.check_id', 'in', ids.slice(i, i + CHUNK))
      .execute();
    known.push(...rows);
  }
  return known;
}

function receiptFacts(
  examination: ReadableExamination,
  targets: ScanTargets,
): Map<string, ReceiptFacts> {
  const facts = new Map<string, ReceiptFacts>();
  for (const { reading } of examination.results) {
    const scanned = reading.receiptScanned;
    if (scanned === null) continue;
    const target = targets.byScanText.get(normaliseLabel(scanned));
    if (!target) continue;
    facts.set(scanned, {
      receiptId: target.receiptId,
      announced: true,
      material: target.material,
      receivedAt: target.receivedAt,
    });
  }
  return facts;
}
