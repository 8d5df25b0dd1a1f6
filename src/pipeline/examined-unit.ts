import type {
  ExaminedResult,
  ReadableExamination,
  UnreadableExamination,
} from '../checks/examination.js';
import type { Sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';

/** Work of the pool: the bytes of one bundle. */
export interface ExamineTask {
  readonly bytes: Uint8Array;
  readonly receivedAt: Instant;
  readonly now: Instant;
  /** State of the method registry whose methods it is judged by; null where there is none. */
  readonly registry: string | null;
}

/** What was built from one result that has the shape of a result. */
export interface BuiltRecord {
  readonly json: string;
  readonly sha256: Sha256;
  readonly animlSha256: Sha256;
}

/**
 * What comes back from the pool: the examination without the values of the spectra, which stay in the
 * stored bytes, and the digest of every artefact, which is built again from those bytes when it is needed.
 */
export type ExaminedUnit =
  | UnreadableExamination
  | {
      readonly kind: 'readable';
      readonly examination: ReadableExamination;
      /** See `ExamineTask.registry`. */
      readonly registry: string | null;
      /** In the order of the examination's results; null where no record could be built. */
      readonly records: readonly (BuiltRecord | null)[];
    };

/** The result without its arrays: the store needs neither. */
export function withoutValues(examined: ExaminedResult): ExaminedResult {
  return {
    ...examined,
    values: null,
    result: examined.result === null ? null : { ...examined.result, spectrum: null },
  };
}
