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
  type ResultBundle,
  type ScannedLabel,
} from '../intake/result-bundle.js';
import type { Instrument, Method, SiteFolder } from '../site/site-folder.js';
import type { PackFault, SheetRow } from './pack-sheet.js';
import type { FileSpectrum } from './spectrum-task.js';

export interface PackRequest {
  readonly site: SiteFolder;
  /** Name of the sheet, for faults. */
  readonly sheet: string;
  readonly rows: readonly SheetRow[];
  /** By file name as the sheet has it. */
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
 * Packs measured runs into a bundle of origin `packed`. Decision and score are the sheet's, threshold and
 * treatment those of the registered method. Ids derive from the content: the same request gives the same
 * bytes.
 */
export function packBundle(request: PackRequest): PackAnswer {
  const { site, rows } = request;
  const instrument = findInstrument(request);
  if ('message' in instrument) return { ok: false, faults: [instrument] };
  const faults: PackFault[] = [];
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
  const runs = rows.map((row) => row.run);
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
    performanceChecks: [],
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

/** Names that no archive takes, and files that two runs would share. */
function fileNameFaults({ rows, sheet }: PackRequest): PackFault[] {
  const lines = new Map([[foldedName(BUNDLE_DOCUMENT), 0]]);
  return rows.flatMap(({ file, line }) => {
    if (file === null) return [];
    const before = lines.get(foldedName(file));
    lines.set(foldedName(file), line);
    const taken =
      before === 0
        ? 'the name is that of the document itself'
        : `line ${before} names it too, or a name that differs in case only; each run needs a file of its own`;
    const message = zipNameFault(file) ?? (before === undefined ? null : taken);
    return message === null
      ? []
      : [{ file: sheet, line, column: 'file', message: `${file}: ${message}` }];
  });
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
  const { site, rows, sheet } = request;
  const fault = (line: number, message: string): PackFault => {
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
    return fault(other.line, message);
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
  return { file: request.sheet, line: row.line, column: 'method', message };
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
