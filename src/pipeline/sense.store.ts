import { sql } from 'kysely';
import { coverOf, mayRepeatNoise, NOISE_LOOK_BACK } from '../checks/bundle-traces.js';
import { type ReadableExamination, spectrumDigestsOf } from '../checks/examination.js';
import { bandPoints } from '../checks/performance-run.js';
import type {
  KnownMeasurement,
  KnownNoise,
  KnownRun,
  OperatorMeasurement,
  SenseFacts,
  StoredNoise,
} from '../checks/sense-facts.js';
import { addMs, type Instant } from '../formats/instant.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared, preparedForList } from '../storage/prepared.js';
import { preparedInsertRows } from '../storage/prepared-rows.js';
import { sideBySide } from '../storage/side-by-side.js';
import type { MeasuredTraceRow } from '../storage/tables.js';
import { inTurns } from '../storage/turns.js';
import type { SettledResult } from './settled-result.js';

/** Values bound in one `in (…)`. */
const CHUNK = 1000;
/** Earlier results of one kind that are looked at; a site with more of them has been told. */
const KNOWN_MAX = 1000;
/** Earlier performance checks of an instrument: more than the longest run a site can ask for, on several standards. */
const CHECKS_MAX = 200;
/** Methods, and keys of noise, in one bundle that are compared. */
const NOISE_KINDS_MAX = 20;

/**
 * Loads the earlier results that bear on those of a bundle, in the transaction that acts on it: one query for each
 * kind that the bundle gives occasion to ask about (of spectra one for each digest; of noise one for the method, one for
 * the axis and one for the latest of all, and another where some is alike), by an index and bounded.
 */
export async function loadSense(
  db: Trx,
  site: SiteFolder,
  examination: ReadableExamination,
): Promise<SenseFacts> {
  const of = { site: site.site };
  const [spectra, noise, covers, operators, beside, checks] = await sideBySide(db, [
    () => knownSpectra(db, of, examination),
    () => knownNoise(db, site, examination),
    () => knownCovers(db, of, examination),
    () => knownOperators(db, site, examination),
    () => neighbours(db, of, examination),
    () => knownChecks(db, of, examination),
  ]);
  return { spectra, noise, covers, operators, ...beside, checks };
}

interface OfSite {
  readonly site: string;
}

/** Columns of a `KnownMeasurement`. */
const MEASUREMENT = [
  'result.id as rowId',
  'result.bundle_row_id as bundleRowId',
  'result.pointer as pointer',
  'result.receipt_id as receiptId',
  'result.result_id as resultId',
  'result.instrument_serial as instrument',
  'result.receipt_scanned as receiptScanned',
  'result.container_scanned as containerScanned',
  'result.material as material',
] as const;

/** And what a second look compares it by. */
export const COMPARED = [
  ...MEASUREMENT,
  'result.spectrum_sha256 as sha256',
  'result.intensity_sha256 as intensitySha256',
  'result.operator_id as operatorId',
  'result.measured_at as measuredAt',
] as const;

/**
 * By the digest of the intensities, and by that of axis and intensities: of what was stored before there was one of the
 * intensities, and of a spectrum that has none, only the other is known.
 */
async function knownSpectra(
  db: Reader,
  of: OfSite,
  { results }: ReadableExamination,
): Promise<SenseFacts['spectra']> {
  const digests = results.map(spectrumDigestsOf);
  const known = new Map<string, KnownMeasurement[]>();
  const learn = async (ask: typeof byValues, asked: readonly string[]) => {
    for (let i = 0; i < asked.length; i += CHUNK) {
      const { rows } = await ask(db, of, asked.slice(i, i + CHUNK));
      for (const { digest, ...row } of rows) if (digest !== null) add(known, digest, row);
    }
  };
  await sideBySide(db, [
    () => learn(byValues, distinct(digests.map(({ sha256 }) => sha256))),
    () => learn(byIntensities, distinct(digests.map(({ intensitySha256 }) => intensitySha256))),
  ]);
  return known;
}

const byValues = bySpectrum('spectrum_sha256');
const byIntensities = bySpectrum('intensity_sha256');

function bySpectrum(column: 'spectrum_sha256' | 'intensity_sha256') {
  return preparedForList((db, of: OfSite, digests) =>
    db
      .selectFrom('result')
      .select([...MEASUREMENT, `result.${column} as digest`])
      .where('site', '=', of.site)
      .where(column, 'in', digests)
      .limit(sql.lit(KNOWN_MAX)),
  );
}

async function knownNoise(
  db: Trx,
  site: SiteFolder,
  { results }: ReadableExamination,
): Promise<SenseFacts['noise']> {
  const limit = site.signal?.noiseCorrelationMax;
  const known: KnownNoise[] = [];
  if (limit === undefined) return known;
  const own = results.flatMap(({ pattern }) => pattern ?? []);
  for (const { method, keys, all } of kindsOfNoise(own, (noise) => noise)) {
    const of = { site: site.site };
    const asked = await sideBySide(db, [
      ...(method === null ? [] : [() => byNoiseMethod(db, { ...of, kind: method })]),
      ...keys.map((key) => () => byNoiseKey(db, { ...of, kind: key })),
      () => latestNoise(db, of),
    ]);
    const kept = keptOnce(asked.flatMap(({ rows }) => rows)).sort((a, b) =>
      a.rowId < b.rowId ? 1 : -1,
    );
    const alike = await inTurns(db, mayRepeatNoise(all, kept, Number(limit.value)));
    known.push(...(await measurementsOfTraces(db, alike)));
  }
  return known;
}

/** What of a bundle is compared with noise of one method, or of one key where no method was kept. */
interface KindOfNoise<T> {
  readonly method: string | null;
  readonly keys: readonly string[];
  readonly all: readonly T[];
}

export function kindsOfNoise<T>(
  own: readonly T[],
  noiseOf: (one: T) => StoredNoise,
): KindOfNoise<T>[] {
  const looked = distinct(own.map((one) => noiseOf(one).key)).slice(0, NOISE_KINDS_MAX);
  const kinds = new Map<string, T[]>();
  for (const one of own) {
    const { method, key } = noiseOf(one);
    add(kinds, method === null ? `of key ${key}` : `of method ${method}`, one);
  }
  return [...kinds.values()].slice(0, NOISE_KINDS_MAX).map((all) => {
    const noises = all.map(noiseOf);
    return {
      method: noises[0]?.method ?? null,
      keys: distinct(noises.map(({ key }) => key)).filter((key) => looked.includes(key)),
      all,
    };
  });
}

interface OfKind extends OfSite {
  readonly kind: string;
}

const byNoiseKey = byNoise('noise_key');
const byNoiseMethod = byNoise('noise_method');

/**
 * Row ids are UUIDv7: the latest come first, which bounds the look-back and orders nothing else. The results themselves
 * are asked for only of those that are alike.
 */
function byNoise(column: 'noise_key' | 'noise_method') {
  return prepared((db, of: OfKind) =>
    tracesOf(db, column, of).orderBy('result_row_id', 'desc').limit(sql.lit(NOISE_LOOK_BACK)),
  );
}

export function tracesOf(db: Reader, column: 'noise_key' | 'noise_method', of: OfKind) {
  return traces(db, of).where(column, '=', of.kind);
}

/** Those with a curve, whatever their method and axis are. */
export function anyTraces(db: Reader, of: OfSite) {
  return traces(db, of).where('noise_curve', 'is not', null);
}

const latestNoise = prepared((db, of: OfSite) =>
  anyTraces(db, of).orderBy('result_row_id', 'desc').limit(sql.lit(NOISE_LOOK_BACK)),
);

function traces(db: Reader, of: OfSite) {
  return db
    .selectFrom('measured_trace')
    .select([
      'result_row_id as rowId',
      'noise_key as key',
      'noise_method as method',
      'noise as steps',
      'noise_curve as curve',
    ])
    .where('site', '=', of.site);
}

/** The noise of a result as it is kept. */
interface KeptNoise {
  readonly rowId: string;
  readonly noise: StoredNoise;
}

type TraceRow = { readonly rowId: string } & {
  readonly [K in keyof StoredNoise]: string | null;
};

/** Traces that were asked for in several ways, each once. */
export function keptOnce(rows: readonly TraceRow[]): KeptNoise[] {
  const kept = new Map<string, KeptNoise>();
  for (const { rowId, key, steps, ...noise } of rows) {
    if (key !== null && steps !== null) kept.set(rowId, { rowId, noise: { ...noise, key, steps } });
  }
  return [...kept.values()];
}

/** The results of traces, in the order of these, with their noise. */
export async function measurementsOfTraces(db: Reader, traces: readonly KeptNoise[]) {
  const { rows } = await byRowIds(
    db,
    {},
    traces.map(({ rowId }) => rowId),
  );
  const byId = new Map(rows.map((row) => [row.rowId, row]));
  return traces.flatMap(({ rowId, noise }) => {
    const row = byId.get(rowId);
    return row === undefined ? [] : [{ ...row, noise }];
  });
}

const byRowIds = preparedForList((db, _values: object, rowIds) =>
  db.selectFrom('result').select(COMPARED).where('id', 'in', rowIds),
);

async function knownCovers(
  db: Reader,
  of: OfSite,
  { results }: ReadableExamination,
): Promise<SenseFacts['covers']> {
  const covers = distinct(results.map(({ result }) => (result === null ? null : coverOf(result))));
  const known = new Map<string, KnownMeasurement[]>();
  for (let i = 0; i < covers.length; i += CHUNK) {
    const { rows } = await byCover(db, of, covers.slice(i, i + CHUNK));
    for (const { cover, receiptMaterial, ...row } of rows) {
      if (cover !== null) add(known, cover, { ...row, material: receiptMaterial ?? row.material });
    }
  }
  return known;
}

const byCover = preparedForList((db, of: OfSite, covers) =>
  db
    .selectFrom('measured_trace')
    .innerJoin('result', 'result.id', 'measured_trace.result_row_id')
    .leftJoin('receipt', 'receipt.id', 'result.receipt_id')
    .select([
      ...MEASUREMENT,
      'measured_trace.probe_cover as cover',
      'receipt.material as receiptMaterial',
    ])
    .where('measured_trace.site', '=', of.site)
    .where('measured_trace.probe_cover', 'in', covers)
    .limit(sql.lit(KNOWN_MAX)),
);

async function knownOperators(
  db: Reader,
  site: SiteFolder,
  { header, results }: ReadableExamination,
): Promise<SenseFacts['operators']> {
  const known = new Map<string, OperatorMeasurement[]>();
  const limit = site.signal?.pace.secondsBetweenAreasMin;
  const { instrumentSerial } = header;
  if (limit === undefined || instrumentSerial === null) return known;
  if (!hasOtherArea(site, instrumentSerial)) return known;
  const times = results.map(({ reading }) => reading.measuredAt).filter((at) => at !== null);
  const operators = distinct(results.map(({ reading }) => reading.operatorId));
  if (times.length === 0) return known;
  const span = spanAround(site, instrumentSerial, times, Number(limit.value));
  for (let i = 0; i < operators.length; i += CHUNK) {
    const { rows } = await byOperator(db, span, operators.slice(i, i + CHUNK));
    for (const { operator, measuredAt, ...row } of rows) {
      if (operator !== null && measuredAt !== null) add(known, operator, { ...row, measuredAt });
    }
  }
  return known;
}

/** Nobody is at two places where every instrument is in one area: an operator's measurements there may be many. */
function hasOtherArea({ instruments }: SiteFolder, serial: string): boolean {
  const here = instruments.find((instrument) => instrument.serial === serial)?.area;
  return here !== undefined && instruments.some(({ area }) => area !== here);
}

/** Measurements on other instruments than one, both ends inclusive. */
export interface Span extends OfSite {
  readonly serial: string;
  readonly from: Instant;
  readonly to: Instant;
}

/** From so much before the first of some times to so much behind the last. */
export function spanAround(
  { site }: OfSite,
  serial: string,
  times: readonly Instant[],
  seconds: number,
): Span {
  const from = addMs(least(times, -1), -seconds * 1000);
  return { site, serial, from, to: addMs(least(times, 1), seconds * 1000) };
}

const byOperator = preparedForList((db, of: Span, operators) =>
  db
    .selectFrom('result')
    .select([...MEASUREMENT, 'operator_id as operator', 'measured_at as measuredAt'])
    .where('site', '=', of.site)
    .where('operator_id', 'in', operators)
    .where('measured_at', '>=', of.from)
    .where('measured_at', '<=', of.to)
    .where('instrument_serial', '<>', of.serial)
    .limit(sql.lit(KNOWN_MAX)),
);

async function neighbours(
  db: Reader,
  of: OfSite,
  { header, results }: ReadableExamination,
): Promise<Pick<SenseFacts, 'runBefore' | 'runBehind'>> {
  const runs = results.map(({ reading }) => reading.runNumber).filter((run) => run !== null);
  const { instrumentSerial: serial, runEpoch: epoch } = header;
  if (runs.length === 0 || serial === null || epoch === null) {
    return { runBefore: null, runBehind: null };
  }
  const first = runs.reduce((a, b) => Math.min(a, b));
  const last = runs.reduce((a, b) => Math.max(a, b));
  const chain = { ...of, serial, epoch };
  const [below, above] = await sideBySide(db, [
    () => runBelow(db, { ...chain, run: first }),
    () => runAbove(db, { ...chain, run: last }),
  ]);
  return { runBefore: knownRun(below.rows[0]), runBehind: knownRun(above.rows[0]) };
}

/** Only where the site looks at runs: the limit stands with each band that was judged. */
async function knownChecks(
  db: Reader,
  of: OfSite,
  { header, performanceChecks }: ReadableExamination,
): Promise<SenseFacts['checks']> {
  const { instrumentSerial: serial, runEpoch: epoch } = header;
  const looked = performanceChecks.filter(({ judgement }) => judgement?.peaks.some((p) => p.run));
  const runs = looked.flatMap(({ check }) => (check === null ? [] : [check.runNumber]));
  if (runs.length === 0 || serial === null || epoch === null) return [];
  const run = runs.reduce((a, b) => Math.max(a, b));
  const { rows } = await checksBelow(db, { ...of, serial, epoch, run });
  return rows.map(({ checkId, judgement, ...check }) => ({
    checkId,
    points: bandPoints(check, judgement === null ? null : JSON.parse(judgement)),
  }));
}

const checksBelow = prepared((db, of: Place) =>
  db
    .selectFrom('performance_check')
    .select(['check_id as checkId', 'standard', 'run_number as run', 'verdict', 'judgement'])
    .where('site', '=', of.site)
    .where('instrument_serial', '=', of.serial)
    .where('run_epoch', '=', of.epoch)
    .where('run_number', '<', of.run)
    .orderBy('run_number', 'desc')
    .limit(sql.lit(CHECKS_MAX)),
);

interface Place extends OfSite {
  readonly serial: string;
  readonly epoch: number;
  readonly run: number;
}

const runBelow = prepared((db, of: Place) =>
  db
    .selectFrom('result')
    .select(['run_number', 'measured_at'])
    .where('site', '=', of.site)
    .where('instrument_serial', '=', of.serial)
    .where('run_epoch', '=', of.epoch)
    .where('run_number', '<', of.run)
    .orderBy('run_number', 'desc')
    .limit(sql.lit(1)),
);

const runAbove = prepared((db, of: Place) =>
  db
    .selectFrom('result')
    .select(['run_number', 'measured_at'])
    .where('site', '=', of.site)
    .where('instrument_serial', '=', of.serial)
    .where('run_epoch', '=', of.epoch)
    .where('run_number', '>', of.run)
    .orderBy('run_number')
    .limit(sql.lit(1)),
);

function knownRun(
  row: { readonly run_number: number | null; readonly measured_at: Instant | null } | undefined,
): KnownRun | null {
  const { run_number: run, measured_at: measuredAt } = row ?? {
    run_number: null,
    measured_at: null,
  };
  return run === null || measuredAt === null ? null : { run, measuredAt };
}

/** Keeps what later measurements are compared with. */
export async function insertTraces(
  trx: Trx,
  site: string,
  results: readonly SettledResult[],
): Promise<void> {
  const rows = results.flatMap(({ rowId, examined }): MeasuredTraceRow[] => {
    const { pattern, result } = examined;
    const cover = result === null ? null : coverOf(result);
    if (pattern === null && cover === null) return [];
    return [
      {
        result_row_id: rowId,
        site,
        noise_key: pattern?.key ?? null,
        noise_method: pattern?.method ?? null,
        noise: pattern?.steps ?? null,
        noise_curve: pattern?.curve ?? null,
        probe_cover: cover,
      },
    ];
  });
  await insertRows(trx, rows);
}

const insertRows = preparedInsertRows('measured_trace');

function distinct(values: readonly (string | null)[]): string[] {
  return [...new Set(values.filter((value) => value !== null))];
}

function least(times: readonly Instant[], sign: 1 | -1): Instant {
  return times.reduce((a, b) => ((b - a) * sign > 0 ? b : a));
}

function add<T>(map: Map<string, T[]>, key: string, value: T): void {
  const held = map.get(key);
  if (held) held.push(value);
  else map.set(key, [value]);
}
