import { type Sha256, sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import { JSON_DEPTH_MAX, parseStrictJson } from '../formats/strict-json.js';
import type { ZipEntries } from '../formats/zip.js';
import { isUnreadable, readEnvelope } from '../intake/envelope.js';
import { openBundle } from '../intake/open-bundle.js';
import type { ManifestPart, ResultBundle } from '../intake/result-bundle.js';
import type { SiteFolder } from '../site/site-folder.js';
import { bundleCase } from './bundle-case.js';
import { bundleContentDigest, contentParts, PART_ARRAYS } from './bundle-parts.js';
import { type BundleTraces, bundleTraces } from './bundle-traces.js';
import type {
  Examination,
  ExaminedCheck,
  ExaminedResult,
  HeaderReading,
  ReadableExamination,
} from './examination.js';
import { examineResult, type Measured, measuredOf, outlineResult } from './examine-result.js';
import type { Finding } from './finding.js';
import { judgePerformance } from './judge-performance.js';
import { readHeader } from './read-bundle.js';
import { type Fields, fieldsOf, instantOf, wholeNumberOf } from './read-fields.js';
import type { SpectrumReading } from './read-spectrum.js';
import { applyRule, asFinding } from './rule.js';
import { BUNDLE_RULES } from './rule-list.js';
import { resultsLimit } from './rules/results-limit.js';
import { schema } from './rules/schema.js';
import { joinSpans, type RunRange, rangesOf, subtractSpans } from './run-ranges.js';
import type { ValidateBundleSchema } from './schema-fault.js';
import { indexOfSite } from './site-index.js';
import { readSpectra } from './spectrum-files.js';

export interface ExaminationContext {
  readonly now: Instant;
  readonly validateSchema: ValidateBundleSchema;
}

/**
 * Examines a bundle's bytes, JSON or zip, by themselves and against the site folder. Never throws on what the bytes
 * hold: what cannot be read is refused, what has the wrong shape is read as far as possible, so that a
 * contrary result in it is seen all the same.
 */
export function examineBundle(
  bytes: Uint8Array,
  site: SiteFolder,
  context: ExaminationContext,
): Examination {
  const rawSha256 = sha256(bytes);
  const opened = openBundle(bytes, site.limits.bundleBytesMax);
  if (!opened.ok) {
    const { code, pointer, message, advice } = opened.fault;
    return refused(rawSha256, code, pointer, message, advice);
  }
  const parsed = parseStrictJson(opened.document, {
    bytesMax: site.limits.bundleBytesMax,
    depthMax: JSON_DEPTH_MAX,
  });
  if (!parsed.ok) {
    const { rule, place, message, remedy } = parsed.fault;
    return refused(rawSha256, `json-${rule}`, place.pointer, message, remedy);
  }
  const envelope = readEnvelope(parsed.value);
  if (isUnreadable(envelope)) {
    const { code, pointer, message, advice } = envelope;
    return refused(rawSha256, code, pointer, message, advice);
  }
  const fields = fieldsOf(parsed.value);
  const base = { rawSha256, header: readHeader(fields, envelope.bundleId) };
  const tooMany = findTooMany(fields, site.limits.resultsPerBundleMax);
  if (tooMany.length > 0) return outline(fields, base, tooMany, null, site);
  const parts = contentParts(fields);
  const digested = { parts, canonicalDigest: bundleContentDigest(fields, parts) };
  const faults = context.validateSchema(parsed.value);
  if (faults.length > 0) {
    const findings = faults.map((fault) => asFinding(schema, fault));
    return outline(fields, base, findings, digested, site);
  }
  const document = parsed.value as ResultBundle;
  return examineDocument(document, base, { ...digested, files: opened.files }, site, context.now);
}

interface Base {
  readonly rawSha256: Sha256;
  readonly header: HeaderReading;
}

interface Digested {
  readonly parts: readonly ManifestPart[];
  readonly canonicalDigest: Sha256;
}

/** With the files of the archive it came in; null when it came alone. */
interface Unpacked extends Digested {
  readonly files: ZipEntries | null;
}

function refused(
  rawSha256: Sha256,
  code: string,
  pointer: string,
  message: string,
  advice: string,
): Examination {
  return {
    kind: 'unreadable',
    rawSha256,
    finding: { code, severity: 'hold', pointer, message, advice },
  };
}

/** Lists longer than the site takes: they are not digested, only the first of them are looked at. */
function findTooMany(fields: Fields, limit: number): Finding[] {
  return PART_ARRAYS.flatMap((name) => {
    const list = fields[name];
    if (!Array.isArray(list) || list.length <= limit) return [];
    const message = `expected at most ${limit} ${name}, found ${list.length}`;
    return [asFinding(resultsLimit, { pointer: `/${name}`, message })];
  });
}

/** A bundle without the shape of one: held, and read as far as possible. */
function outline(
  fields: Fields,
  base: Base,
  bundleFindings: readonly Finding[],
  digested: Digested | null,
  site: SiteFolder,
): ReadableExamination {
  const limit = site.limits.resultsPerBundleMax;
  const all = Array.isArray(fields.results) ? fields.results : [];
  const results = all.slice(0, limit).map((element: unknown, index) => {
    const pointer = `/results/${index}`;
    return outlineResult(element, pointer, digested && partAt(digested.parts, pointer, index));
  });
  const checks = Array.isArray(fields.performanceChecks) ? fields.performanceChecks : [];
  const performanceChecks = checks.slice(0, limit).map((element: unknown, index): ExaminedCheck => {
    const pointer = `/performanceChecks/${index}`;
    return {
      pointer,
      sha256: partAt(digested?.parts ?? [], pointer),
      check: null,
      checkedAt: instantOf(fieldsOf(element).checkedAt),
      judgement: null,
    };
  });
  const runs = [
    ...results.map((result) => result.reading.runNumber),
    ...checks.slice(0, limit).map((check: unknown) => wholeNumberOf(fieldsOf(check).runNumber)),
  ];
  return {
    kind: 'readable',
    ...base,
    canonicalDigest: digested?.canonicalDigest ?? null,
    document: null,
    bundleFindings,
    results,
    performanceChecks,
    accounted: accountedRuns(base.header.runEpoch, runs),
    missing: [],
    resultsNotRead: Math.max(0, all.length - limit),
  };
}

function examineDocument(
  document: ResultBundle,
  base: Base,
  { parts, canonicalDigest, files }: Unpacked,
  site: SiteFolder,
  now: Instant,
): ReadableExamination {
  const entries = [...document.results, ...document.performanceChecks];
  const { epoch, first, last } = document.runs;
  const accounted = accountedRuns(
    epoch,
    entries.map((entry) => entry.runNumber),
  );
  const declared = first === null ? [] : [{ from: first, to: last }];
  const missing = rangesOf(subtractSpans(declared, accounted), epoch);
  const { readings, checks, faults: fileFaults } = readSpectra(document, files, site.limits);
  const performance = document.performanceChecks.map((check, i) =>
    judgePerformance(
      check,
      instantOf(check.checkedAt),
      document.instrument.serial,
      site.performance,
      checks[i] ?? { kind: 'none' },
    ),
  );
  const index = indexOfSite(site);
  const measured = document.results.map((result, i) =>
    measuredOf(result, readings[i] ?? { kind: 'none' }, index, document.instrument.serial),
  );
  const about = bundleCase({
    document,
    site: index,
    parts,
    missing,
    fileFaults,
    traces: tracesOf(document, readings, measured, site),
    performance,
    now,
  });
  const results: ExaminedResult[] = measured.map((one, i) => {
    const pointer = `/results/${i}`;
    return examineResult(about, one, i, partAt(parts, pointer, i));
  });
  return {
    kind: 'readable',
    ...base,
    canonicalDigest,
    document,
    bundleFindings: BUNDLE_RULES.flatMap((rule) => applyRule(rule, about, '')),
    results,
    performanceChecks: document.performanceChecks.map((check, index) => ({
      pointer: `/performanceChecks/${index}`,
      sha256: partAt(parts, `/performanceChecks/${index}`, results.length + index),
      check,
      checkedAt: instantOf(check.checkedAt),
      judgement: performance[index] ?? null,
    })),
    accounted,
    missing,
    resultsNotRead: 0,
  };
}

function tracesOf(
  document: ResultBundle,
  readings: readonly SpectrumReading[],
  measured: readonly Measured[],
  site: SiteFolder,
): BundleTraces {
  const max = site.signal?.noiseCorrelationMax;
  return bundleTraces(
    document.results,
    readings,
    measured.map(({ signal }) => signal),
    max === undefined ? null : Number(max.value),
  );
}

function accountedRuns(
  epoch: number | null,
  runs: readonly (number | null)[],
): readonly RunRange[] {
  if (epoch === null) return [];
  const spans = runs.flatMap((run) => (run === null ? [] : [{ from: run, to: run }]));
  return rangesOf(joinSpans(spans), epoch);
}

/** Parts stand in the order of the arrays, so the place is known for a document of the right shape. */
function partAt(parts: readonly ManifestPart[], pointer: string, index = -1): Sha256 {
  const direct = parts[index];
  const part = direct?.pointer === pointer ? direct : parts.find((p) => p.pointer === pointer);
  return (part?.sha256 ?? '') as Sha256;
}
