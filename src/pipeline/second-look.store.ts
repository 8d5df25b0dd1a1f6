import { sql } from 'kysely';
import { NOISE_LOOK_BACK } from '../checks/bundle-traces.js';
import type { StoredMeasurement } from '../checks/second-look.js';
import type { Reader, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import { prepared, preparedForList, preparedInsert } from '../storage/prepared.js';
import { sideBySide } from '../storage/side-by-side.js';
import { MEASUREMENT, type Span, spanAround } from './sense.store.js';

/** Values bound in one `in (…)`. */
const CHUNK = 1000;
/** Earlier results of one operator that are looked at. */
const KNOWN_MAX = 1000;
/** Kinds of noise (method, points) in one bundle that are compared. */
const NOISE_KEYS_MAX = 20;

/**
 * Notes that a bundle is to be compared once more when it is committed. Where one process owns the file, its write
 * transactions come one after the other, and each has seen everything before it.
 */
export async function oweSecondLook(trx: Trx, site: string, bundleRowId: string): Promise<void> {
  if (!dialectOf(trx).isShared) return;
  await insertLook(trx, { bundle_row_id: bundleRowId, site });
}

const insertLook = preparedInsert('second_look');

/** Bundles that wait for their second look and that no other worker is looking at; locked until the transaction ends. */
export async function takeSecondLooks(trx: Trx, site: string, limit: number): Promise<string[]> {
  const rows = await trx
    .selectFrom('second_look')
    .select('bundle_row_id')
    .where('site', '=', site)
    .orderBy('bundle_row_id')
    .limit(limit)
    .forUpdate()
    .skipLocked()
    .execute();
  return rows.map((row) => row.bundle_row_id);
}

export async function endSecondLooks(trx: Trx, bundleRowIds: readonly string[]): Promise<void> {
  await trx.deleteFrom('second_look').where('bundle_row_id', 'in', bundleRowIds).execute();
}

/** The receipts that results of these bundles belong to. */
export async function receiptsOfBundles(
  trx: Trx,
  site: string,
  bundleRowIds: readonly string[],
): Promise<string[]> {
  const rows = await trx
    .selectFrom('result')
    .select('receipt_id')
    .distinct()
    .where('site', '=', site)
    .where('bundle_row_id', 'in', bundleRowIds)
    .where('receipt_id', 'is not', null)
    .execute();
  return rows.flatMap((row) => row.receipt_id ?? []);
}

interface OfBundle {
  readonly site: string;
  readonly bundleRowId: string;
}

/** The results of a bundle, with what they are compared by. */
export async function measurementsOf(db: Reader, of: OfBundle): Promise<StoredMeasurement[]> {
  return (await ofBundle(db, of)).rows.map(stored);
}

const COMPARED = [
  ...MEASUREMENT,
  'result.spectrum_sha256 as spectrumSha256',
  'result.operator_id as operatorId',
  'result.measured_at as measuredAt',
] as const;

function measurements(db: Reader) {
  return db
    .selectFrom('result')
    .leftJoin('measured_trace', 'measured_trace.result_row_id', 'result.id')
    .select([
      ...COMPARED,
      'measured_trace.noise_key as noiseKey',
      'measured_trace.noise as noiseSteps',
    ]);
}

type StoredRow = Omit<StoredMeasurement, 'noise'> & {
  readonly noiseKey: string | null;
  readonly noiseSteps: string | null;
};

function stored({ noiseKey: key, noiseSteps: steps, ...row }: StoredRow): StoredMeasurement {
  return { ...row, noise: key === null || steps === null ? null : { key, steps } };
}

const ofBundle = prepared((db, of: OfBundle) =>
  measurements(db)
    .where('result.site', '=', of.site)
    .where('result.bundle_row_id', '=', of.bundleRowId)
    .orderBy('result.id'),
);

/**
 * Results of other bundles that may have been settled at the same moment as these, which are of one bundle: for each
 * kind of noise those that were stored next before and behind them, and those of their operators on other
 * instruments around their times.
 *
 * @param secondsApart of measurements that one operator can have made in two areas; null where nothing says
 */
export async function measurementsBeside(
  db: Reader,
  of: OfBundle,
  own: readonly StoredMeasurement[],
  secondsApart: number | null,
): Promise<StoredMeasurement[]> {
  const beside = await sideBySide(db, [
    ...spansOfNoise(own).flatMap(([key, { first, last }]) => [
      async () => (await noiseBefore(db, { ...of, key, id: last })).rows,
      async () => (await noiseBehind(db, { ...of, key, id: first })).rows,
    ]),
    async () => (secondsApart === null ? [] : await ofOperators(db, of, own, secondsApart)),
  ]);
  const rows: StoredRow[] = beside.flat();
  const distinct = new Map(rows.map((row) => [row.rowId, row]));
  return [...distinct.values()].map(stored);
}

/** First and last row id of each kind of noise; they come in their order. */
function spansOfNoise(own: readonly StoredMeasurement[]) {
  const spans = new Map<string, { readonly first: string; readonly last: string }>();
  for (const { noise, rowId } of own) {
    if (noise === null) continue;
    const first = spans.get(noise.key)?.first ?? rowId;
    spans.set(noise.key, { first, last: rowId });
  }
  return [...spans].slice(0, NOISE_KEYS_MAX);
}

type NoiseBeside = OfBundle & { readonly key: string; readonly id: string };

/**
 * The traces next to one, bounded before their results are joined: PostgreSQL would go through both tables by their ids,
 * and for a kind of noise that few have read every result.
 */
function noiseBeside(db: Reader, of: NoiseBeside, side: '<' | '>') {
  const order = side === '<' ? 'desc' : 'asc';
  const traces = db
    .selectFrom('measured_trace')
    .select(['result_row_id', 'noise_key', 'noise'])
    .where('site', '=', of.site)
    .where('noise_key', '=', of.key)
    .where('result_row_id', side, of.id)
    .where(
      (eb) =>
        eb
          .selectFrom('result as r')
          .select('r.bundle_row_id')
          .whereRef('r.id', '=', 'measured_trace.result_row_id'),
      '<>',
      of.bundleRowId,
    )
    .orderBy('result_row_id', order)
    .limit(sql.lit(NOISE_LOOK_BACK));
  return db
    .selectFrom(traces.as('trace'))
    .innerJoin('result', 'result.id', 'trace.result_row_id')
    .select([...COMPARED, 'trace.noise_key as noiseKey', 'trace.noise as noiseSteps'])
    .orderBy('trace.result_row_id', order);
}

const noiseBefore = prepared((db, of: NoiseBeside) => noiseBeside(db, of, '<'));

const noiseBehind = prepared((db, of: NoiseBeside) => noiseBeside(db, of, '>'));

async function ofOperators(
  db: Reader,
  of: OfBundle,
  own: readonly StoredMeasurement[],
  secondsApart: number,
): Promise<StoredRow[]> {
  const times = own.map(({ measuredAt }) => measuredAt).filter((at) => at !== null);
  const [serial] = own.map(({ instrument }) => instrument).filter((one) => one !== null);
  const operators = [...new Set(own.map(({ operatorId }) => operatorId))].filter((o) => o !== null);
  if (times.length === 0 || serial === undefined) return [];
  const span = spanAround(of, serial, times, secondsApart);
  const rows: StoredRow[] = [];
  for (let i = 0; i < operators.length; i += CHUNK) {
    rows.push(...(await byOperator(db, span, operators.slice(i, i + CHUNK))).rows);
  }
  return rows;
}

/** The latest come first: those that were settled beside these are among them. */
const byOperator = preparedForList((db, of: Span, operators) =>
  measurements(db)
    .where('result.site', '=', of.site)
    .where('result.operator_id', 'in', operators)
    .where('result.measured_at', '>=', of.from)
    .where('result.measured_at', '<=', of.to)
    .where('result.instrument_serial', '<>', of.serial)
    .orderBy('result.id', 'desc')
    .limit(sql.lit(KNOWN_MAX)),
);
