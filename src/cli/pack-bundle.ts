import { type AssembledBundle, assembleBundle, encodeSpectrum } from '../checks/assemble-bundle.js';
import { methodKey } from '../checks/method-key.js';
import { canonicalDigest } from '../formats/canonical-json.js';
import type { BundleResult, ResultBundle, ScannedLabel } from '../intake/result-bundle.js';
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
  return { ok: true, bundle: assembleBundle({ bundleId: derivedId(parts), ...parts }) };
}

function packResult(
  request: PackRequest,
  instrument: Instrument,
  method: Method,
  row: SheetRow,
): BundleResult {
  const table = row.file === null ? undefined : request.spectra.get(row.file);
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
    spectrum:
      table === undefined
        ? null
        : encodeSpectrum(table.axis, table.intensity, 'float64', table.intensityUnit),
    remarks: row.remarks,
    supersedes: null,
  };
  const { serial } = instrument;
  const { epoch, site } = request;
  return { resultId: derivedId({ site: site.site, serial, epoch, content }), ...content };
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
