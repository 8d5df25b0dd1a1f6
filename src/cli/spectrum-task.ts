/** Work of a decoding thread: one file with one spectrum, for `pack`. */
export interface SpectrumTask {
  readonly file: string;
  readonly pointsMax: number;
}

/** A measured spectrum, ascending, at the width its file has it in, and the file as it is. */
export interface FileSpectrum {
  readonly format: 'csv' | 'jcamp-dx' | 'animl';
  readonly bytes: Uint8Array;
  readonly axis: Float64Array;
  readonly intensity: Float64Array | Float32Array;
  readonly intensityUnit: 'counts' | 'counts-per-second' | 'arbitrary';
}

export type SpectrumAnswer =
  | { readonly ok: true; readonly spectrum: FileSpectrum }
  /** The file is not there or cannot be read: about the sheet's line, not about the file. */
  | { readonly ok: false; readonly kind: 'unreadable'; readonly message: string }
  | {
      readonly ok: false;
      readonly kind: 'fault';
      /** From 1; 0 for the file as a whole or a place that is no line. */
      readonly line: number;
      /** '' for the whole line. */
      readonly column: string;
      readonly message: string;
    };
