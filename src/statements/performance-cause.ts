import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import type { ShownDocument, Validity } from '../signatures/shown-document.js';
import type { SignatureSubject } from '../signatures/signature.js';
import type { PerformanceCheckRow } from '../storage/tables.js';
import type { ReviewOption } from './review-option.js';

/** A performance check before somebody signs why it failed. */
export interface PerformanceCauseCase {
  readonly check: PerformanceCheckRow;
  /** Checks of the same instrument and epoch behind it, by run, up to the next pass on its standard. */
  readonly followed: readonly Pick<
    PerformanceCheckRow,
    'check_id' | 'run_number' | 'standard' | 'verdict' | 'checked_at'
  >[];
  /** Receipts with results that it leaves in doubt. */
  readonly receipts: readonly string[];
  /** Whether its cause is signed; null when it never was. */
  readonly signed: Validity | null;
}

export function performanceCauseSubject(check: Pick<PerformanceCheckRow, 'id'>): SignatureSubject {
  return { kind: 'performance-check', id: check.id, revision: 1 };
}

/** Whether the cause of a failed check may be signed: once, and of a failed one only (rule 13). */
export function performanceCauseOption({ check, signed }: PerformanceCauseCase): ReviewOption {
  const because: string[] = [];
  if (check.verdict !== 'fail') because.push('it did not fail, there is nothing to explain');
  if (signed?.kind === 'valid') because.push('its cause is signed');
  if (because.length > 0) return { possible: false, because, effects: [] };
  return {
    possible: true,
    because: [],
    effects: [
      'a repeat that passed within the number and time that the tolerances allow answers it',
      'a repeat that failed too stays confirmed, and what it withdrew stays withdrawn',
      'stops that it called for stay until they are lifted by their own signature',
    ],
  };
}

export function performanceCauseDocument(about: PerformanceCauseCase): ShownDocument {
  const { possible, because, effects } = performanceCauseOption(about);
  const context: JsonValue = {
    followed: about.followed.map((check) => ({
      checkId: check.check_id,
      run: check.run_number,
      standard: check.standard,
      verdict: check.verdict,
      checkedAt: formatInstant(check.checked_at),
    })),
    receipts: [...about.receipts],
    cause: { possible, because: [...because], effects: [...effects] },
  };
  const { check } = about;
  return {
    subject: performanceCauseSubject(check),
    record: {
      checkId: check.check_id,
      instrument: check.instrument_serial,
      epoch: check.run_epoch,
      run: check.run_number,
      checkedAt: formatInstant(check.checked_at),
      standard: check.standard,
      reported: check.outcome,
      verdict: check.verdict,
      elementSha256: check.element_sha256,
    },
    context,
  };
}
