import {
  type AssembledBundle,
  assembleBundle,
  assembleZipBundle,
  encodeSpectrum,
} from '../checks/assemble-bundle.js';
import { methodKey } from '../checks/method-key.js';
import { canonicalDigest, sha256 } from '../formats/canonical-json.js';
import { foldedName, zipNameFault } from '../formats/zip-name.js';
import {
  BUNDLE_DOCUMENT,
  type BundleResult,
  type PerformanceCheck,
  type ResultBundle,
  type ScannedLabel,
} from '../intake/result-bundle.js';
import type { Instrument, Method, SiteFolder } from '../site/site-folder.js';
import type { CheckRow } from './check-sheet.js';
import type { SheetRow } from './pack-sheet.js';
import type { PackFault } from './sheet-table.js';
import type { FileSpectrum } from './spectrum-task.js';

/** A sheet with the name that faults say. */
export interface NamedSheet<Row> {
  readonly file: string;
  readonly rows: readonly Row[];
}

export interface PackRequest {
  readonly site: SiteFolder;
  /** Measured runs, and the performance checks among them; either may be without rows, not both. */
  readonly runs: NamedSheet<SheetRow>;
  readonly checks: NamedSheet<CheckRow>;
  /** By file name as the sheets have it. */
  readonly spectra: ReadonlyMap<string, FileSpectrum>;
  /** How the spectra go along: null as values in a JSON document, else as the files they are, in a zip archive. */
  readonly zip: 'store' | 'deflate' | null;
  /** Serial from the command line; null takes the sheet's, or the site folder's only one. */
  readonly instrument: string | null;
  /** RFC 3339 with offset; also what both clocks show. */
  readonly createdAt: string;
  readonly epoch: number;
  readonly previousBundle: string | null;
}

export type PackAnswer =
  | { readonly ok: true; readonly bundle: AssembledBundle }
  | { readonly ok: false; readonly faults: readonly PackFault[] };

/**
 * Packs measured runs and performance checks into a bundle of origin `packed`. Decision and score are the sheet's,
 * threshold and treatment those of the registered method; of a check outcome and positions are the sheet's. Ids
 * derive from the content: the same request gives the same bytes.
 */
export function packBundle(request: PackRequest): PackAnswer {
  const { site } = request;
  const { rows } = request.runs;
  const instrument = findInstrument(request);
  if ('message' in instrument) return { ok: false, faults: [instrument] };
  const faults: PackFault[] = runsInBoth(request);
  const methods = new Map<string, Method>();
  const results: BundleResult[] = [];
  for (const row of rows) {
    const method = findMethod(request, row);
    if ('message' in method) {
      faults.push(method);
      continue;
    }
    methods.set(methodKey(method), method);
    results.push(packResult(request, instrument, method, row));
  }
  if (request.zip !== null) faults.push(...fileNameFaults(request));
  if (faults.length > 0) return { ok: false, faults };
  const runs = linesOf(request).map(({ run }) => run);
  const parts = {
    site: site.site,
    createdAt: request.createdAt,
    syncPc: { id: 'pack' },
    origin: 'packed' as const,
    environment: site.environment,
    instrument: {
      serial: instrument.serial,
      model: instrument.model,
      firmware: instrument.firmware,
      laserWavelengthNm: instrument.laserWavelengthNm,
    },
    runs: { epoch: request.epoch, first: runs[0] ?? null, last: runs.at(-1) ?? 0 },
    previousBundle: request.previousBundle,
    clocks: { instrument: request.createdAt, syncPc: request.createdAt },
    timeZone: site.timeZone,
    performanceChecks: request.checks.rows.map((row) => packCheck(request, instrument, row)),
    methods: [...methods.values()].map(({ id, version, contentDigest }) => ({
      id,
      version,
      digest: contentDigest,
    })),
    operators: [...new Set(rows.map((row) => row.operator))].map((id) => ({ id, name: id })),
    results,
    auditEvents: [],
  } satisfies Omit<ResultBundle, 'format' | 'version' | 'manifest' | 'bundleId'>;
  const all = { bundleId: derivedId(parts), ...parts };
  if (request.zip === null) return { ok: true, bundle: assembleBundle(all) };
  const files = [...request.spectra].map(([name, { bytes }]) => ({ name, bytes }));
  return { ok: true, bundle: assembleZipBundle(all, files, request.zip) };
}

/** A row of either sheet, with the sheet it stands in. */
type PackedLine = (SheetRow | CheckRow) & { readonly sheet: string };

/** The rows of both sheets in the order of their run numbers, which they share. */
function linesOf({ runs, checks }: Pick<PackRequest, 'runs' | 'checks'>): PackedLine[] {
  return [runs, checks]
    .flatMap(({ file, rows }): PackedLine[] => rows.map((row) => ({ ...row, sheet: file })))
    .sort((a, b) => a.run - b.run);
}

function runsInBoth({ runs, checks }: PackRequest): PackFault[] {
  const lines = new Map(runs.rows.map(({ run, line }) => [run, line]));
  return checks.rows.flatMap(({ run, line }) => {
    const other = lines.get(run);
    if (other === undefined) return [];
    const message = `run ${run} stands on line ${other} of ${runs.file} already; checks count on with the other runs`;
    return [{ file: checks.file, line, column: 'run', message }];
  });
}

/** Names that no archive takes, and files that two runs would share. */
function fileNameFaults(request: PackRequest): PackFault[] {
  const before = new Map([
    [foldedName(BUNDLE_DOCUMENT), 'the name is that of the document itself'],
  ]);
  return linesOf(request).flatMap(({ file, line, sheet }) => {
    if (file === null) return [];
    const message = zipNameFault(file) ?? before.get(foldedName(file)) ?? null;
    const taken = `line ${line}${sheet === request.runs.file ? '' : ` of ${sheet}`} names it too, or a name that differs in case only; each run needs a file of its own`;
    before.set(foldedName(file), taken);
    return message === null
      ? []
      : [{ file: sheet, line, column: 'file', message: `${file}: ${message}` }];
  });
}

function packCheck(request: PackRequest, instrument: Instrument, row: CheckRow): PerformanceCheck {
  const content: Omit<PerformanceCheck, 'checkId'> = {
    runNumber: row.run,
    checkedAt: row.checkedAt,
    standard: row.standard,
    shifts: row.shifts,
    outcome: row.outcome,
    spectrum: packSpectrum(request, row.file),
  };
  const { serial } = instrument;
  const { epoch, site } = request;
  return { checkId: derivedId({ site: site.site, serial, epoch, check: content }), ...content };
}

function packResult(
  request: PackRequest,
  instrument: Instrument,
  method: Method,
  row: SheetRow,
): BundleResult {
  const content: Omit<BundleResult, 'resultId'> = {
    runNumber: row.run,
    mode: method.mode,
    receipt: typed(row.receipt),
    container: typed(row.container),
    material: row.material,
    lot: row.lot,
    method: { id: method.id, version: method.version },
    operatorId: row.operator,
    measuredAt: row.measuredAt,
    timeSource: 'assumed',
    place: 'laboratory',
    presentation: { kind: 'other' },
    acquisition: {},
    decision: row.decision,
    score:
      row.score === null
        ? null
        : { algorithm: method.algorithm, value: row.score, threshold: method.threshold },
    candidates:
      row.decision === 'match' && row.score !== null
        ? [{ material: method.material, score: row.score }]
        : [],
    spectrum: packSpectrum(request, row.file),
    remarks: row.remarks,
    supersedes: null,
  };
  const { serial } = instrument;
  const { epoch, site } = request;
  return { resultId: derivedId({ site: site.site, serial, epoch, content }), ...content };
}

function packSpectrum(
  { spectra, zip }: PackRequest,
  file: string | null,
): BundleResult['spectrum'] {
  const spectrum = file === null ? undefined : spectra.get(file);
  if (file === null || spectrum === undefined) return null;
  const { axis, intensity, intensityUnit, format, bytes } = spectrum;
  // A bundle's files are tables and JCAMP-DX; the spectrum of an AnIML document goes along as values.
  if (zip === null || format === 'animl') {
    return encodeSpectrum(axis, intensity, 'float64', intensityUnit);
  }
  return { file, sha256: sha256(bytes), format, points: axis.length, intensityUnit };
}

/** A label that a person copied into a sheet was never scanned. */
function typed(text: string | null): ScannedLabel | null {
  return text === null ? null : { scanned: text, entry: 'typed' };
}

function findInstrument(request: PackRequest): Instrument | PackFault {
  const { site } = request;
  const rows = linesOf(request);
  const fault = (line: number, message: string, sheet = rows[0]?.sheet ?? ''): PackFault => {
    return { file: sheet, line, column: 'instrument', message };
  };
  const registered = site.instruments.map((instrument) => instrument.serial);
  const only = registered.length === 1 ? registered[0] : undefined;
  const named = rows.map((row) => row.instrument).find((serial) => serial !== null);
  const serial = request.instrument ?? named ?? only;
  if (serial === undefined) {
    const message = `name one of ${registered.join(', ')} by a column instrument or --instrument`;
    return fault(0, message);
  }
  const other = rows.find((row) => row.instrument !== null && row.instrument !== serial);
  if (other !== undefined) {
    const message = `found ${other.instrument} beside ${serial}; a bundle is of one instrument`;
    return fault(other.line, message, other.sheet);
  }
  const instrument = site.instruments.find((known) => known.serial === serial);
  const message = `${serial} is not registered; the site folder has ${registered.join(', ')}`;
  return instrument ?? fault(0, message);
}

function findMethod(request: PackRequest, row: SheetRow): Method | PackFault {
  const versions = request.site.methods.filter((method) => method.id === row.method);
  const [method] = versions;
  if (method !== undefined && versions.length === 1) return method;
  const known = [...new Set(request.site.methods.map(({ id }) => id))].join(', ');
  const message =
    method === undefined
      ? `${row.method} is not registered; the site folder has ${known}`
      : `${row.method} is registered in ${versions.length} versions; keep one of them registered to pack`;
  return { file: request.runs.file, line: row.line, column: 'method', message };
}

/** A UUID of version 8 (RFC 9562: custom content), its bits taken from the SHA-256 of the content. */
function derivedId(content: unknown): string {
  const hex = canonicalDigest(content);
  const variant = ((Number.parseInt(hex.slice(16, 17), 16) & 0x3) | 0x8).toString(16);
  return [
    hex.slice(0, 8),
    hex.slice(8, 12),
    `8${hex.slice(13, 16)}`,
    `${variant}${hex.slice(17, 20)}`,
    hex.slice(20, 32),
  ].join('-');
}
