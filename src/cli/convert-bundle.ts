import type { ExaminedResult, ReadableExamination } from '../checks/examination.js';
import type { Finding } from '../checks/finding.js';
import type { Recheck } from '../checks/recheck.js';
import { BUNDLE_RULES, RESULT_RULES } from '../checks/rule-list.js';
import type { Sha256 } from '../formats/canonical-json.js';
import type { CsvForm } from '../formats/csv.js';
import type { Instant } from '../formats/instant.js';
import type { ResultBundle } from '../intake/result-bundle.js';
import { buildResultRecord } from '../records/build-record.js';
import { type AttachedFormat, type Encoded, encodeRecord } from '../records/encode-record.js';
import type { OpenFormat } from '../records/open-file.js';
import { DEFAULT_SESSIONS, type SiteFolder } from '../site/site-folder.js';
import type { ConvertedItem } from './convert-task.js';
import { safeFileName } from './safe-file-name.js';

export interface ConvertOptions {
  readonly format: OpenFormat;
  /** How CSV is written. */
  readonly form: CsvForm;
  readonly attach: AttachedFormat | null;
  readonly receivedAt: Instant;
  /** False when the bundle was examined against `SITE_OF_NOTHING`: then site rules say nothing. */
  readonly hasSite: boolean;
}

/** Every result of a readable bundle as a document of its own, with what goes with it. */
export function convertBundle(
  examination: ReadableExamination,
  document: ResultBundle,
  options: ConvertOptions,
): readonly ConvertedItem[] {
  const bundleHolds = holding(counted(examination.bundleFindings, options.hasSite));
  return examination.results.map((examined) =>
    convertResult(examination.rawSha256, document, examined, bundleHolds, options),
  );
}

function convertResult(
  rawSha256: Sha256,
  bundle: ResultBundle,
  examined: ExaminedResult,
  bundleHolds: readonly Finding[],
  options: ConvertOptions,
): ConvertedItem {
  const { result, pointer } = examined;
  const own = counted(examined.findings, options.hasSite);
  const findings = [...bundleHolds, ...holding(own)];
  const held = findings.length > 0;
  const resultId = examined.reading.resultId ?? pointer;
  const base = { resultId, pointer, held, findings };
  if (result === null || examined.reading.measuredAt === null) {
    const reason = 'no record can be made of it';
    return { ...base, files: [], exact: false, remarks: [], reason };
  }
  const record = buildResultRecord({
    bundle,
    result,
    pointer,
    revision: 1,
    rawSha256,
    receivedAt: options.receivedAt,
    recheck: options.hasSite ? examined.recheck : RECHECK_WITHOUT_SITE,
    spectrum: examined.spectrum,
    remarkCodes: own.filter(({ severity }) => severity === 'remark').map(({ code }) => code),
  });
  const decoded = { record, values: examined.values, isExact: true };
  const name = `${safeFileName(resultId)}${held ? HELD_MARK : ''}`;
  const attach = options.attach === null ? null : { format: options.attach, name };
  const encoded = encodeRecord(decoded, options.format, options.form, attach);
  return { ...base, ...encodedParts(encoded, name) };
}

/** What of an item comes from its encoding. */
export function encodedParts(
  encoded: Encoded,
  name: string,
): Pick<ConvertedItem, 'files' | 'exact' | 'remarks' | 'reason'> {
  if (!encoded.ok) return { files: [], exact: false, remarks: [], reason: encoded.reason };
  const files = encoded.files.map(({ ending, content }) => ({
    name: `${name}${ending}`,
    bytes: typeof content === 'string' ? Buffer.from(content, 'utf8') : content,
  }));
  return { files, exact: encoded.exact, remarks: encoded.remarks, reason: null };
}

/** No encoded id holds a tilde before letters, so that no other id's file can have this name. */
export const HELD_MARK = '~held';

const RECHECK_WITHOUT_SITE: Recheck = {
  answer: 'not-recomputable',
  score: null,
  reason: 'no site folder was given',
};

const DOCUMENT_CODES: ReadonlySet<string> = new Set(
  [...BUNDLE_RULES, ...RESULT_RULES]
    .filter(({ info }) => info.needs === 'document')
    .map(({ info }) => info.code),
);

function counted(findings: readonly Finding[], hasSite: boolean): readonly Finding[] {
  return hasSite ? findings : findings.filter(({ code }) => DOCUMENT_CODES.has(code));
}

function holding(findings: readonly Finding[]): readonly Finding[] {
  return findings.filter(({ severity }) => severity === 'hold');
}

/** Limits to examine a bundle under when no site folder says otherwise; it registers nothing. */
export const SITE_OF_NOTHING: SiteFolder = {
  site: '',
  title: '',
  environment: 'training',
  simulated: false,
  timeZone: 'UTC',
  areas: [],
  instruments: [],
  materials: [],
  methods: [],
  plans: [],
  decisions: [],
  sessions: DEFAULT_SESSIONS,
  limits: {
    bundleBytesMax: 268_435_456,
    resultsPerBundleMax: 50_000,
    spectrumPointsMax: 1_000_000,
    syncMarginMs: 0,
    statementValidMs: 0,
    futureToleranceMs: 120_000,
    clockSkewMs: 120_000,
  },
  destinations: [],
  secondPerson: { required: true },
  escalation: null,
  performance: null,
  digest: '0'.repeat(64) as Sha256,
};
