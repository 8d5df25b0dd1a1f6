import type { ReadableExamination } from '../checks/examination.js';
import { isHeld } from '../checks/examination.js';
import type { HistoryAnswer, UnjoinedEpoch } from '../checks/history-facts.js';
import { type RunRange, runsInWords } from '../checks/run-ranges.js';
import type { Instant } from '../formats/instant.js';
import { resultSubject } from '../receipts/evidence-subject.js';
import type { EvidenceScope, NewDiscrepancy } from '../reconciliation/discrepancies.js';
import { ownerOf, type SettledResult } from './settled-result.js';

export interface BundleIdentity {
  readonly rowId: string;
  readonly site: string;
  readonly receivedAt: Instant;
}

/**
 * What a settled bundle brings to light that belongs to no receipt for certain (release-safety rule 10): it
 * blocks every receipt it could belong to until evidence or a person says whose it is.
 */
export function unownedEvidence(
  bundle: BundleIdentity,
  examination: ReadableExamination,
  history: HistoryAnswer,
  results: readonly SettledResult[],
  now: Instant,
): NewDiscrepancy[] {
  const { instrumentSerial } = examination.header;
  const scope: EvidenceScope = {
    ...(instrumentSerial === null ? {} : { instruments: [instrumentSerial] }),
    to: bundle.receivedAt,
  };
  const blank = {
    site: bundle.site,
    receiptId: null,
    containerLabel: null,
    destination: null,
    scope,
    openedAt: now,
  };
  const found: NewDiscrepancy[] = [];
  const holding = [...examination.bundleFindings, ...history.bundleFindings].filter(
    (finding) => finding.severity === 'hold',
  );
  if (history.bundle === 'conflict') {
    found.push({
      ...blank,
      class: 'conflict',
      subject: `bundle:${bundle.rowId}`,
      detail: `bundle ${examination.header.bundleId} was taken before with other content`,
    });
  } else if (isHeld(holding)) {
    found.push({
      ...blank,
      class: 'held',
      subject: `bundle:${bundle.rowId}`,
      detail: `bundle ${examination.header.bundleId} of ${instrumentSerial ?? 'an unnamed instrument'}: ${[...new Set(holding.map((f) => f.code))].join(', ')}`,
    });
  }
  for (const gap of history.gaps) {
    found.push({ ...blank, ...gapIn(instrumentSerial ?? '', gap) });
  }
  for (const epoch of history.unjoinedEpochs) {
    found.push({ ...blank, ...chainBreak(instrumentSerial ?? '', epoch) });
  }
  for (const overlap of history.overlaps) {
    found.push({
      ...blank,
      class: 'run-overlap',
      subject: `${gapSubject(instrumentSerial ?? '', overlap)}:${bundle.rowId}`,
      detail: `${instrumentSerial ?? ''}: ${runsInWords(overlap)} of epoch ${overlap.epoch} came twice with other content`,
    });
  }
  for (const result of results) {
    if (!result.history.contrary || ownerOf(result.match) !== null) continue;
    found.push({
      ...blank,
      class: 'contrary-unowned',
      subject: resultSubject(result.rowId),
      detail: contraryWords(result),
    });
  }
  return found;
}

/** One open discrepancy a gap; the same gap seen again is the same discrepancy. */
export function gapSubject(serial: string, range: RunRange): string {
  return `runs:${serial}:${range.epoch}:${range.from}-${range.to}`;
}

/** The gap a subject names, when it is one of exactly this instrument and epoch, whatever its serial holds. */
export function gapOf(subject: string, serial: string, epoch: number): RunRange | null {
  const prefix = `runs:${serial}:${epoch}:`;
  if (!subject.startsWith(prefix)) return null;
  const runs = /^(\d+)-(\d+)$/.exec(subject.slice(prefix.length));
  return runs === null ? null : { epoch, from: Number(runs[1]), to: Number(runs[2]) };
}

/** What says of a gap which it is, the same whichever bundle brings it to light. */
export function gapIn(serial: string, gap: RunRange) {
  return {
    class: 'run-gap',
    subject: gapSubject(serial, gap),
    detail: `${serial}: ${runsInWords(gap)} of epoch ${gap.epoch} never arrived`,
  } as const;
}

/** Runs at the end of an epoch that nobody can count; open until the bundle that is missing comes. */
function chainBreak(serial: string, { epoch, previousBundle }: UnjoinedEpoch) {
  const behind =
    previousBundle === null
      ? 'names no bundle before it'
      : `follows bundle ${previousBundle}, which was not taken`;
  return {
    class: 'run-gap',
    subject: `${chainSubjectPrefix(serial)}${epoch}:${previousBundle ?? 'none'}`,
    detail: `${serial}: epoch ${epoch} ${behind}; what was measured at the end of the epoch before is unknown`,
  } as const;
}

export function chainSubjectPrefix(serial: string): string {
  return `chain:${serial}:`;
}

function contraryWords(result: SettledResult): string {
  const { reading } = result.examined;
  const near = result.match.kind === 'unknown-receipt' ? result.match.nearMisses : [];
  const hint = near.length > 0 ? `; near: ${near.join(', ')}` : '';
  return `${reading.decision ?? 'an unreadable decision'} for receipt "${reading.receiptScanned ?? ''}", container "${reading.containerScanned ?? ''}"${hint}`;
}
