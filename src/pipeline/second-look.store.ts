import { sql } from 'kysely';
import { mayRepeatNoise, NOISE_LOOK_BACK } from '../checks/bundle-traces.js';
import type { StoredMeasurement } from '../checks/second-look.js';
import type { StoredNoise } from '../checks/sense-facts.js';
import type { Reader, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import { bounded, prepared, preparedForList, preparedInsert } from '../storage/prepared.js';
import { sideBySide } from '../storage/side-by-side.js';
import { inTurns } from '../storage/turns.js';
import {
  anyTraces,
  COMPARED,
  keptOnce,
  kindsOfNoise,
  measurementsOfTraces,
  type Span,
  spanAround,
  tracesOf,
} from './sense.store.js';

/** Values bound in one `in (…)`. */
const CHUNK = 1000;
/** Earlier results of one operator that are looked at. */
const KNOWN_MAX = 1000;

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

function measurements(db: Reader) {
  return db
    .selectFrom('result')
    .leftJoin('measured_trace', 'measured_trace.result_row_id', 'result.id')
    .select([
      ...COMPARED,
      'measured_trace.noise_key as noiseKey',
      'measured_trace.noise_method as noiseMethod',
      'measured_trace.noise as noiseSteps',
      'measured_trace.noise_curve as noiseCurve',
    ]);
}

type StoredRow = Omit<StoredMeasurement, 'noise'> & {
  readonly noiseKey: string | null;
  readonly noiseMethod: string | null;
  readonly noiseSteps: string | null;
  readonly noiseCurve: string | null;
};

function stored({
  noiseKey: key,
  noiseMethod: method,
  noiseSteps: steps,
  noiseCurve: curve,
  ...row
}: StoredRow): StoredMeasurement {
  return { ...row, noise: key === null || steps === null ? null : { key, method, steps, curve } };
}

const ofBundle = prepared((db, of: OfBundle) =>
  measurements(db)
    .where('result.site', '=', of.site)
    .where('result.bundle_row_id', '=', of.bundleRowId)
    .orderBy('result.id'),
);

/** From where results of other bundles bear on each other; null where nothing says. */
export interface BesideLimits {
  /** Correlation of the noise of two containers. */
  readonly noise: number | null;
  /** Seconds between measurements that one operator can have made in two areas. */
  readonly secondsApart: number | null;
}

/**
 * Results of other bundles that may have been settled at the same moment as these, which are of one bundle: of those of
 * each kind of noise, and of any, that were stored next before and behind them the ones that are alike, and those of their operators
 * on other instruments around their times.
 */
export async function measurementsBeside(
  trx: Trx,
  of: OfBundle,
  own: readonly StoredMeasurement[],
  { noise, secondsApart }: BesideLimits,
): Promise<StoredMeasurement[]> {
  const looks = noise === null ? [] : looksAtNoise(own).map((look) => ({ ...look, max: noise }));
  const beside = await sideBySide(trx, [
    ...looks.map((look) => () => alikeBeside(trx, { ...of, ...look })),
    async () => (secondsApart === null ? [] : await ofOperators(trx, of, own, secondsApart)),
  ]);
  return [...new Map(beside.flat().map((row) => [row.rowId, row])).values()];
}

/** Results of one bundle whose noise is compared with that of others. */
interface LookAtNoise {
  readonly noises: readonly StoredNoise[];
  /** Of the whole bundle. */
  readonly rowIds: ReadonlySet<string>;
  /** Where to look for others. */
  readonly places: readonly PlaceOfNoise[];
}

interface PlaceOfNoise {
  readonly column: 'noise_key' | 'noise_method' | 'any';
  /** Of any nothing. */
  readonly kind: string;
  /** The first and the last row of the bundle. */
  readonly first: string;
  readonly last: string;
  /** Traces asked for, so that enough are left without those of the bundle itself. */
  readonly limit: number;
}

function looksAtNoise(measured: readonly StoredMeasurement[]): LookAtNoise[] {
  const own = measured.flatMap(({ noise, rowId }) => (noise === null ? [] : [{ noise, rowId }]));
  const rowIds = new Set(own.map(({ rowId }) => rowId));
  return kindsOfNoise(own, ({ noise }) => noise).map(({ method, keys, all }) => ({
    noises: all.map(({ noise }) => noise),
    // Those of other methods too: among any they come up as well, and one bundle is no other.
    rowIds,
    places: [
      ...(method === null
        ? []
        : [{ column: 'noise_method' as const, kind: method, ...rowsOf(all) }]),
      ...keys.map((kind) => ({ column: 'noise_key' as const, kind, ...rowsOf(all) })),
      { column: 'any' as const, kind: '', ...rowsOf(own) },
    ],
  }));
}

function rowsOf(rows: readonly { readonly rowId: string }[]) {
  return {
    first: rows[0]?.rowId as string,
    last: rows.at(-1)?.rowId as string,
    limit: NOISE_LOOK_BACK + rows.length,
  };
}

async function alikeBeside(
  trx: Trx,
  { site, noises, rowIds, places, max }: OfBundle & LookAtNoise & { readonly max: number },
): Promise<StoredMeasurement[]> {
  const asked = await sideBySide(
    trx,
    places.flatMap(({ column, ...place }) =>
      NOISE_BESIDE[column].map((ask) => () => ask(trx, { site, ...place })),
    ),
  );
  const others = asked.flatMap(({ rows }) =>
    rows.filter(({ rowId }) => !rowIds.has(rowId)).slice(0, NOISE_LOOK_BACK),
  );
  const alike = await inTurns(trx, mayRepeatNoise(noises, keptOnce(others), max));
  return await measurementsOfTraces(trx, alike);
}

type NoiseBeside = { readonly site: string } & Omit<PlaceOfNoise, 'column'>;

/** The traces next before and next behind those of a bundle. */
const NOISE_BESIDE = {
  noise_key: [noiseBeside('noise_key', 'before'), noiseBeside('noise_key', 'behind')],
  noise_method: [noiseBeside('noise_method', 'before'), noiseBeside('noise_method', 'behind')],
  any: [noiseBeside('any', 'before'), noiseBeside('any', 'behind')],
} as const;

function noiseBeside(column: PlaceOfNoise['column'], side: 'before' | 'behind') {
  return prepared((db, of: NoiseBeside) => {
    const asked = column === 'any' ? anyTraces(db, of) : tracesOf(db, column, of);
    const traces = asked.limit(bounded(of.limit));
    return side === 'before'
      ? traces.where('result_row_id', '<', of.last).orderBy('result_row_id', 'desc')
      : traces.where('result_row_id', '>', of.first).orderBy('result_row_id', 'asc');
  });
}

async function ofOperators(
  db: Reader,
  of: OfBundle,
  own: readonly StoredMeasurement[],
  secondsApart: number,
): Promise<StoredMeasurement[]> {
  const times = own.map(({ measuredAt }) => measuredAt).filter((at) => at !== null);
  const [serial] = own.map(({ instrument }) => instrument).filter((one) => one !== null);
  const operators = [...new Set(own.map(({ operatorId }) => operatorId))].filter((o) => o !== null);
  if (times.length === 0 || serial === undefined) return [];
  const span = spanAround(of, serial, times, secondsApart);
  const rows: StoredRow[] = [];
  for (let i = 0; i < operators.length; i += CHUNK) {
    rows.push(...(await byOperator(db, span, operators.slice(i, i + CHUNK))).rows);
  }
  return rows.map(stored);
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
