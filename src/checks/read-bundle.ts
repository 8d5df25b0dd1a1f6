import { DECISIONS, ENVIRONMENTS, isContrary, type Mode, ORIGINS } from '../site/vocabulary.js';
import type { HeaderReading, ResultReading } from './examination.js';
import { type Fields, fieldsOf, instantOf, oneOf, textOf, wholeNumberOf } from './read-fields.js';

/** As `schemas/result-bundle.schema.json` has it; the columns that keep it end not far above on PostgreSQL. */
const EPOCH_MAX = 1_000_000;
const MODES: readonly Mode[] = ['verification', 'identification'];

/** The header as far as it can be read, whatever else is wrong with the document. */
export function readHeader(document: Fields, bundleId: string): HeaderReading {
  const runs = fieldsOf(document.runs);
  const clocks = fieldsOf(document.clocks);
  return {
    bundleId,
    site: textOf(document.site),
    environment: oneOf(document.environment, ENVIRONMENTS),
    origin: oneOf(document.origin, ORIGINS),
    instrumentSerial: textOf(fieldsOf(document.instrument).serial),
    syncPc: textOf(fieldsOf(document.syncPc).id),
    runEpoch: epochOf(runs.epoch),
    runFirst: wholeNumberOf(runs.first),
    runLast: wholeNumberOf(runs.last),
    previousBundle: textOf(document.previousBundle),
    createdAt: instantOf(document.createdAt),
    instrumentClock: instantOf(clocks.instrument),
    syncPcClock: instantOf(clocks.syncPc),
  };
}

/** Null for a count that no instrument has begun so often: nothing may be ordered by it. */
function epochOf(value: unknown): number | null {
  const epoch = wholeNumberOf(value);
  return epoch !== null && epoch <= EPOCH_MAX ? epoch : null;
}

/**
 * A result as far as it can be read (release-safety rule 8). A decision that is none of the known ones
 * counts as contrary: nothing says that it agrees.
 */
export function readResult(element: unknown): ResultReading {
  const fields = fieldsOf(element);
  const method = fieldsOf(fields.method);
  const decision = oneOf(fields.decision, DECISIONS);
  const candidates = Array.isArray(fields.candidates) ? fields.candidates : [];
  const matched = decision === 'match' ? textOf(fieldsOf(candidates[0]).material) : null;
  const material = textOf(fields.material);
  return {
    resultId: textOf(fields.resultId),
    runNumber: wholeNumberOf(fields.runNumber),
    mode: oneOf(fields.mode, MODES),
    decision,
    receiptScanned: textOf(fieldsOf(fields.receipt).scanned),
    containerScanned: textOf(fieldsOf(fields.container).scanned),
    material,
    matchedMaterial: matched,
    lot: textOf(fields.lot),
    methodId: textOf(method.id),
    methodVersion: textOf(method.version),
    operatorId: textOf(fields.operatorId),
    measuredAt: instantOf(fields.measuredAt),
    measuredText: textOf(fields.measuredAt),
    contrary: decision === null || isContrary(decision, matched, material),
  };
}
