import type { Recheck } from '../checks/recheck.js';
import type { SpectrumSummary } from '../checks/spectrum-values.js';
import { canonicalDigest, canonicalJson, type Sha256 } from '../formats/canonical-json.js';
import { formatInstant, type Instant, parseTimestamp } from '../formats/instant.js';
import type { Acquisition, BundleResult, ResultBundle } from '../intake/result-bundle.js';
import { RECORD_SCHEMA, RECORD_VERSION, type ResultRecord } from './result-record.js';

export interface RecordInput {
  readonly bundle: ResultBundle;
  readonly result: BundleResult;
  /** JSON Pointer of the result in the bundle. */
  readonly pointer: string;
  readonly revision: number;
  /** Digest of the bundle's bytes as they arrived. */
  readonly rawSha256: Sha256;
  readonly receivedAt: Instant;
  readonly recheck: Recheck;
  readonly spectrum: SpectrumSummary | null;
  /** Codes of the findings that remark on this result without holding it, in any order. */
  readonly remarkCodes: readonly string[];
}

/**
 * Builds the canonical record of one result of a validated bundle. Reported texts are taken over letter
 * for letter; the UTC instant stands beside the reported time. Throws when the bundle was not validated:
 * its time cannot be read.
 */
export function buildResultRecord(input: RecordInput): ResultRecord {
  const { bundle, result } = input;
  const measuredAt = parseTimestamp(result.measuredAt);
  if (measuredAt === null) {
    throw new RangeError(`${input.pointer}/measuredAt was not validated: ${result.measuredAt}`);
  }
  const method = bundle.methods.find(
    (used) => used.id === result.method.id && used.version === result.method.version,
  );
  const operator = bundle.operators.find((known) => known.id === result.operatorId);
  return {
    schema: RECORD_SCHEMA,
    version: RECORD_VERSION,
    site: bundle.site,
    resultId: result.resultId,
    revision: input.revision,
    environment: bundle.environment,
    origin: bundle.origin,
    bundle: {
      bundleId: bundle.bundleId,
      sha256: input.rawSha256,
      receivedAt: formatInstant(input.receivedAt),
      pointer: input.pointer,
      syncPc: bundle.syncPc.id,
    },
    instrument: {
      serial: bundle.instrument.serial,
      model: bundle.instrument.model,
      firmware: bundle.instrument.firmware,
      laserWavelengthNm: bundle.instrument.laserWavelengthNm,
    },
    run: { epoch: bundle.runs.epoch, number: result.runNumber },
    mode: result.mode,
    receipt: labelOf(result.receipt),
    container: labelOf(result.container),
    material: result.material,
    lot: result.lot,
    method: {
      id: result.method.id,
      version: result.method.version,
      digest: method?.digest ?? null,
    },
    operator: { id: result.operatorId, name: operator?.name ?? null },
    measuredAt: {
      reported: result.measuredAt,
      utc: formatInstant(measuredAt.instant),
      source: result.timeSource,
      zone: bundle.timeZone,
    },
    place: result.place,
    presentation: {
      kind: result.presentation.kind,
      between: result.presentation.between ?? null,
      probeCover: result.presentation.probeCover ?? null,
    },
    acquisition: acquisitionOf(result.acquisition),
    decision: result.decision,
    score:
      result.score === null
        ? null
        : {
            algorithm: result.score.algorithm,
            value: result.score.value,
            threshold: result.score.threshold,
          },
    candidates: result.candidates.map(({ material, score }) => ({ material, score })),
    recheck: {
      answer: input.recheck.answer,
      score: input.recheck.score,
      reason: input.recheck.reason,
    },
    spectrum: input.spectrum,
    remarks: result.remarks.map(({ name, text }) => ({ name, text })),
    supersedes:
      result.supersedes === null
        ? null
        : { resultId: result.supersedes.resultId, reason: result.supersedes.reason },
    findings: [...new Set(input.remarkCodes)].sort(),
  };
}

/** The record's bytes: RFC 8785, the same for the same record on every machine. */
export function recordJson(record: ResultRecord): string {
  return canonicalJson(record);
}

/** SHA-256 over `recordJson`. */
export function recordDigest(record: ResultRecord): Sha256 {
  return canonicalDigest(record);
}

// Members are named one by one: a bundle may carry fields this version does not know, and a record of
// version 1.0 holds only what its schema names.
function labelOf(label: BundleResult['receipt']): ResultRecord['receipt'] {
  return label === null ? null : { scanned: label.scanned, entry: label.entry };
}

function acquisitionOf(reported: Acquisition): Acquisition {
  const { integrationTimeMs, accumulations, laserPowerMw, backgroundSubtracted } = reported;
  return {
    ...(integrationTimeMs === undefined ? {} : { integrationTimeMs }),
    ...(accumulations === undefined ? {} : { accumulations }),
    ...(laserPowerMw === undefined ? {} : { laserPowerMw }),
    ...(backgroundSubtracted === undefined ? {} : { backgroundSubtracted }),
  };
}
