import { sql } from 'kysely';
import { asFinding } from '../checks/rule.js';
import { containersExceedDelivered } from '../checks/rules/remeasured.js';
import { type Attempt, findInSeries, type SeriesFinding } from '../checks/series.js';
import type { Decimal } from '../formats/decimal.js';
import { containerKey } from '../receipts/label.js';
import { DECISIONS, type Decision } from '../site/vocabulary.js';
import { loadCauses } from '../statements/causes.store.js';
import type { Reader } from '../storage/database.js';
import { prepared, preparedForList } from '../storage/prepared.js';
import { sideBySide } from '../storage/side-by-side.js';
import { ownerOf, type SettledResult } from './settled-result.js';

/** Values bound in one `in (…)`. */
const CHUNK = 1000;
/** Attempts on the containers of one receipt that are looked at. */
const ATTEMPTS_MAX = 5000;

/** The bundle that is being settled. */
export interface SeriesPlace {
  readonly site: string;
  readonly bundleRowId: string;
  readonly instrument: string | null;
  readonly epoch: number | null;
}

/**
 * What the results of a bundle show together with what is known of their containers and receipts (rule 12). Findings may
 * be about results of earlier bundles: so the same ones stand in the end whichever came first. Called before the
 * results are stored, behind the locks of their receipts.
 */
export async function findAcrossSeries(
  db: Reader,
  place: SeriesPlace,
  results: readonly SettledResult[],
): Promise<SeriesFinding[]> {
  const labels = new Map<string, Set<string>>();
  for (const { match } of results) {
    if (match.kind !== 'receipt' || match.containerLabel === null) continue;
    const held = labels.get(match.receiptId) ?? new Set();
    labels.set(match.receiptId, held.add(match.containerLabel));
  }
  const [earlier, tooMany] = await sideBySide(db, [
    () => earlierAttempts(db, place.site, labels),
    () => findTooMany(db, place, results),
  ]);
  const attempts = [...results.flatMap((result) => newAttempt(result, place)), ...earlier];
  const contrary = attempts.filter((attempt) => attempt.contrary && !attempt.isNew);
  const causes = await loadCauses(
    db,
    place.site,
    contrary.map(({ rowId }) => rowId),
  );
  const series = attempts.map((attempt) => ({
    ...attempt,
    explained: causes.get(attempt.rowId)?.isValid === true,
  }));
  return [...findInSeries(series), ...tooMany];
}

/** What is known of these containers, by receipt. */
async function earlierAttempts(
  db: Reader,
  site: string,
  labels: ReadonlyMap<string, ReadonlySet<string>>,
): Promise<Attempt[]> {
  const attempts: Attempt[] = [];
  for (const [receiptId, containers] of labels) {
    const list = [...containers];
    for (let i = 0; i < list.length; i += CHUNK) {
      const { rows } = await attemptsOn(db, { site, receiptId }, list.slice(i, i + CHUNK));
      attempts.push(...rows.map((row) => knownAttempt(row, receiptId)));
    }
  }
  return attempts;
}

function newAttempt(
  { rowId, examined, history, match }: SettledResult,
  { bundleRowId, instrument, epoch }: SeriesPlace,
): Attempt[] {
  if (match.kind !== 'receipt' || match.containerLabel === null) return [];
  const { reading, pointer } = examined;
  return [
    {
      rowId,
      bundleRowId,
      pointer,
      resultId: reading.resultId ?? rowId,
      container: JSON.stringify([match.receiptId, match.containerLabel]),
      instrument,
      epoch,
      run: reading.runNumber,
      measuredAt: reading.measuredAt,
      decision: reading.decision,
      contrary: history.contrary,
      explained: false,
      isNew: true,
    },
  ];
}

type AttemptRow = Awaited<ReturnType<typeof attemptsOn>>['rows'][number];

function knownAttempt(row: AttemptRow, receiptId: string): Attempt {
  return {
    rowId: row.id,
    bundleRowId: row.bundle_row_id,
    pointer: row.pointer,
    resultId: row.result_id,
    container: JSON.stringify([receiptId, row.container_label]),
    instrument: row.instrument_serial,
    epoch: row.run_epoch,
    run: row.run_number,
    measuredAt: row.measured_at,
    decision: decisionOf(row.decision),
    contrary: row.contrary === 1,
    explained: false,
    isNew: false,
  };
}

function decisionOf(text: string | null): Decision | null {
  return DECISIONS.find((decision) => decision === text) ?? null;
}

const attemptsOn = preparedForList(
  (db, of: { readonly site: string; readonly receiptId: string }, labels) =>
    db
      .selectFrom('result')
      .select([
        'id',
        'bundle_row_id',
        'pointer',
        'result_id',
        'container_label',
        'instrument_serial',
        'run_epoch',
        'run_number',
        'measured_at',
        'decision',
        'contrary',
      ])
      .where('site', '=', of.site)
      .where('receipt_id', '=', of.receiptId)
      .where('container_label', 'in', labels)
      .limit(sql.lit(ATTEMPTS_MAX)),
);

/** Receipts of which more containers were measured than delivered, at the first result that brings a new one. */
async function findTooMany(
  db: Reader,
  place: SeriesPlace,
  results: readonly SettledResult[],
): Promise<SeriesFinding[]> {
  const found: SeriesFinding[] = [];
  const byReceipt = new Map<string, SettledResult[]>();
  for (const result of results) {
    const owner = ownerOf(result.match);
    if (owner === null || result.examined.reading.containerScanned === null) continue;
    const held = byReceipt.get(owner);
    if (held) held.push(result);
    else byReceipt.set(owner, [result]);
  }
  for (const [receiptId, of] of byReceipt) {
    const at = { site: place.site, receiptId };
    const [
      {
        rows: [receipt],
      },
      { rows: announced },
      { rows: others },
    ] = await sideBySide(db, [
      () => deliveredOf(db, at),
      () => labelsMeasured(db, at),
      () => othersMeasured(db, at),
    ]);
    if (receipt === undefined || receipt.announced === 0) continue;
    const delivered = receipt.dock_count ?? Number(receipt.containers);
    const measured = new Set([
      ...announced.map((row) => row.container_label ?? ''),
      ...others.map((row) => containerKey(row.container_scanned ?? '')),
    ]);
    const isNew = ({ match, examined: { reading } }: SettledResult) => {
      const label = match.kind === 'receipt' ? match.containerLabel : null;
      const key = label ?? containerKey(reading.containerScanned ?? '');
      if (measured.has(key)) return false;
      measured.add(key);
      return measured.size > delivered;
    };
    const [first] = of.filter(isNew);
    if (first === undefined) continue;
    const { pointer } = first.examined;
    const finding = asFinding(containersExceedDelivered, {
      pointer: `${pointer}/container`,
      message: `${measured.size} containers of receipt ${receiptId} were measured, ${delivered} were delivered`,
      numbers: { found: String(measured.size) },
      limit: {
        value: String(delivered) as Decimal,
        source: receipt.dock_count === null ? 'containers announced' : 'count at the dock',
      },
    });
    found.push({ rowId: first.rowId, bundleRowId: place.bundleRowId, finding });
  }
  return found;
}

interface OfReceipt {
  readonly site: string;
  readonly receiptId: string;
}

const deliveredOf = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('receipt')
    .select((eb) => [
      'receipt.announced',
      'receipt.dock_count',
      eb
        .selectFrom('container')
        .select(eb.fn.countAll<number>().as('count'))
        .where('container.site', '=', of.site)
        .where('container.receipt_id', '=', of.receiptId)
        .as('containers'),
    ])
    .where('receipt.site', '=', of.site)
    .where('receipt.id', '=', of.receiptId),
);

const labelsMeasured = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('result')
    .select('container_label')
    .distinct()
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where('container_label', 'is not', null),
);

/** Labels that nobody announced. */
const othersMeasured = prepared((db, of: OfReceipt) =>
  db
    .selectFrom('result')
    .select('container_scanned')
    .distinct()
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where('container_label', 'is', null)
    .where('container_scanned', 'is not', null)
    .limit(sql.lit(ATTEMPTS_MAX)),
);
