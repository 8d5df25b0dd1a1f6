import type { Finding } from '../checks/finding.js';
import type { CsvForm, CsvReadForm } from '../formats/csv.js';
import type { Instant } from '../formats/instant.js';
import type { OpenFault } from '../formats/open-spectrum.js';
import type { TechniqueFinding } from '../records/animl-technique-check.js';
import type { AttachedFormat } from '../records/encode-record.js';
import type { FileFormat, OpenFormat } from '../records/open-file.js';

/** Work of a decoding thread: one file to be read and written anew. */
export interface ConvertTask {
  readonly file: string;
  /** null: the content decides. */
  readonly from: FileFormat | null;
  readonly to: OpenFormat;
  /** How CSV is written. */
  readonly form: CsvForm;
  /** What is known of CSV that is read. */
  readonly readForm: CsvReadForm;
  /** AnIML: the record in this format too, beside the document and named in it. */
  readonly attach: AttachedFormat | null;
  /** RFC 3339; null takes the bundle's own time of creation. */
  readonly receivedAt: string | null;
  readonly now: Instant;
}

export interface ConvertedFile {
  readonly name: string;
  readonly bytes: Uint8Array;
}

/** One record or spectrum of the file that was read. */
export interface ConvertedItem {
  /** null for a spectrum without a record. */
  readonly resultId: string | null;
  /** Place in the bundle; '' in any other file. */
  readonly pointer: string;
  /** A held result's file says so in its name, so that it is never taken for a cleared one. */
  readonly held: boolean;
  /** What holds it, or stops it from being written. */
  readonly findings: readonly Finding[];
  /** The item's own file last, what goes with it before; none when it has no such form. */
  readonly files: readonly ConvertedFile[];
  /** Every value of the spectrum is in the files as it was in the source. */
  readonly exact: boolean;
  readonly remarks: readonly string[];
  /** Why nothing can be written. */
  readonly reason: string | null;
}

export interface Source {
  readonly format: FileFormat | null;
  /** What was found, in words; null when the format was declared. */
  readonly found: string | null;
}

export type ConvertAnswer =
  | {
      readonly kind: 'converted';
      readonly source: Source;
      readonly bundleId: string | null;
      readonly items: readonly ConvertedItem[];
      readonly techniqueFindings: readonly TechniqueFinding[];
    }
  | {
      readonly kind: 'refused';
      readonly source: Source;
      /** Of a bundle that cannot be read. */
      readonly findings: readonly Finding[];
      readonly faults: readonly OpenFault[];
      readonly techniqueFindings: readonly TechniqueFinding[];
    }
  /** A file or an option that is the caller's to put right. */
  | { readonly kind: 'unusable'; readonly message: string };
