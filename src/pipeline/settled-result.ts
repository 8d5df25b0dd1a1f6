import {
  type ExaminedResult,
  isHeld,
  type ReadableExamination,
  spectrumDigestsOf,
} from '../checks/examination.js';
import type { Finding } from '../checks/finding.js';
import type { HistoryAnswer, ResultHistory } from '../checks/history-facts.js';
import { drumNumber } from '../receipts/label.js';
import { matchScan, type ScanMatch, type ScanTargets } from '../receipts/scan-match.js';
import { ANIML_WRITER_VERSION } from '../records/animl-writer.js';
import type { FindingRow, ResultRow, ResultState } from '../storage/tables.js';
import type { BuiltRecord } from './examined-unit.js';

/** Everything known of one result when its bundle is settled. */
export interface SettledResult {
  readonly rowId: string;
  readonly examined: ExaminedResult;
  readonly history: ResultHistory;
  readonly match: ScanMatch;
  readonly record: BuiltRecord | null;
  /** Of the examination and of the history. */
  readonly findings: readonly Finding[];
  readonly state: Extract<ResultState, 'accepted' | 'held'>;
}

/**
 * Puts together what the checks, the history and the receipts say of each result. A result that is known
 * with the same content is left out: it stands in the store already. Where it lies there in a bundle that is
 * held, this copy is kept beside it, held for a reviewer. A fault of the bundle holds all of
 * them, any other only its own.
 */
export function settleResults(
  examination: ReadableExamination,
  records: readonly (BuiltRecord | null)[],
  history: HistoryAnswer,
  targets: ScanTargets,
  newId: () => string,
): SettledResult[] {
  const isBundleHeld = isHeld([...examination.bundleFindings, ...history.bundleFindings]);
  const settled: SettledResult[] = [];
  examination.results.forEach((examined, i) => {
    const past = history.results[i];
    if (past === undefined) throw new Error(`no history was read for ${examined.pointer}`);
    if (past.standing === 'repeated' && !past.repeatsHeld) return;
    const findings = [...examined.findings, ...past.findings];
    const record = records[i] ?? null;
    const isAccepted = !isBundleHeld && !isHeld(findings) && record !== null;
    settled.push({
      rowId: newId(),
      examined,
      history: past,
      match: matchScan(targets, {
        receipt: examined.reading.receiptScanned,
        container: examined.reading.containerScanned,
      }),
      record,
      findings,
      state: isAccepted ? 'accepted' : 'held',
    });
  });
  return settled;
}

/** True for a pass that speaks against nothing: no finding holds it, and the recheck agrees. */
export function isCleanPass({ examined, history, state }: SettledResult): boolean {
  return (
    state === 'accepted' &&
    examined.reading.decision === 'pass' &&
    examined.recheck.answer === 'agrees' &&
    !history.contrary
  );
}

export function resultRow(
  settled: SettledResult,
  bundle: { readonly rowId: string; readonly site: string },
  examination: ReadableExamination,
): ResultRow {
  const { reading, recheck } = settled.examined;
  const spectrum = spectrumDigestsOf(settled.examined);
  const { header } = examination;
  return {
    id: settled.rowId,
    site: bundle.site,
    // A result whose id cannot be read still counts; its place names it.
    result_id: reading.resultId ?? `${bundle.rowId}${settled.examined.pointer}`,
    revision: 1,
    bundle_row_id: bundle.rowId,
    pointer: settled.examined.pointer,
    state: settled.state,
    instrument_serial: header.instrumentSerial,
    run_epoch: header.runEpoch,
    run_number: reading.runNumber,
    mode: reading.mode,
    decision: reading.decision,
    contrary: settled.history.contrary ? 1 : 0,
    receipt_id: ownerOf(settled.match),
    receipt_scanned: reading.receiptScanned,
    container_scanned: reading.containerScanned,
    drum_number: drumNumber(reading.containerScanned ?? ''),
    container_label: settled.match.kind === 'receipt' ? settled.match.containerLabel : null,
    material: reading.material,
    matched_material: reading.matchedMaterial,
    lot: reading.lot,
    method_id: reading.methodId,
    method_version: reading.methodVersion,
    operator_id: reading.operatorId,
    measured_at: reading.measuredAt,
    measured_text: reading.measuredText,
    environment: header.environment,
    origin: header.origin,
    recheck: JSON.stringify(recheck),
    record: settled.record?.json ?? null,
    record_sha256: settled.record?.sha256 ?? null,
    animl_sha256: settled.record?.animlSha256 ?? null,
    animl_writer: settled.record ? ANIML_WRITER_VERSION : null,
    spectrum_sha256: spectrum.sha256,
    intensity_sha256: spectrum.intensitySha256,
    element_sha256: settled.examined.sha256,
    supersedes: settled.examined.result?.supersedes?.resultId ?? null,
    review_signature_id: null,
  };
}

export function ownerOf(match: ScanMatch): string | null {
  return match.kind === 'receipt' ? match.receiptId : null;
}

export function findingRow(
  finding: Finding,
  at: {
    readonly id: string;
    readonly site: string;
    readonly bundleRowId: string;
    readonly resultRowId: string | null;
  },
): FindingRow {
  return {
    id: at.id,
    site: at.site,
    bundle_row_id: at.bundleRowId,
    result_row_id: at.resultRowId,
    code: finding.code,
    severity: finding.severity,
    pointer: finding.pointer,
    message: finding.message,
    advice: finding.advice,
    numbers: finding.numbers === undefined ? null : JSON.stringify(finding.numbers),
  };
}
