import { sha256 } from '../formats/canonical-json.js';
import { shownName, type ZipEntries, type ZipEntry } from '../formats/zip.js';
import { readZipEntry } from '../formats/zip-content.js';
import {
  BUNDLE_DOCUMENT,
  isSpectrumFile,
  type ResultBundle,
  type SpectrumFile,
} from '../intake/result-bundle.js';
import type { SiteFolder } from '../site/site-folder.js';
import { decodeSpectrumFile, fileBytesMax, fileFault } from './decode-spectrum-file.js';
import {
  pointsFault,
  readSpectrum,
  type SpectrumFault,
  type SpectrumReading,
} from './read-spectrum.js';

/** What is wrong with a file as part of its bundle; `rules/file-*.ts` has one rule for each. */
export type FileFaultKind = 'missing' | 'unnamed' | 'shared' | 'damaged' | 'digest' | 'archive';

export interface FileFault {
  readonly kind: FileFaultKind;
  /** Of the place in the document; '' when nothing in it names the file. */
  readonly pointer: string;
  readonly message: string;
}

export interface Spectra {
  /** In the order of the results. */
  readonly readings: readonly SpectrumReading[];
  /** In the order of the performance checks. */
  readonly checks: readonly SpectrumReading[];
  readonly faults: readonly FileFault[];
}

/**
 * Measured points do not pack into less than this many bytes (own trials: deflated text 2 to 10), so that no
 * honest bundle is past the bound on all points together that follows from its size.
 */
const PACKED_BYTES_A_POINT = 2;

/**
 * Reads the spectrum of every result and performance check: from the document, or from the file it names in the
 * archive. Files are taken out one at a time, and each is let go of before the next one is inflated; the values stay,
 * bounded by the points that the document declares.
 *
 * @param files null when the bundle is a document without an archive around it
 */
export function readSpectra(
  document: ResultBundle,
  files: ZipEntries | null,
  limits: SiteFolder['limits'],
): Spectra {
  const reader = new FilesReader(files, limits);
  const read = (spectrum: ResultBundle['results'][number]['spectrum'], pointer: string) =>
    spectrum !== null && isSpectrumFile(spectrum)
      ? reader.spectrum(spectrum, pointer)
      : readSpectrum(spectrum, limits.spectrumPointsMax);
  const readings = document.results.map((result, i) => read(result.spectrum, `/results/${i}`));
  const checks = document.performanceChecks.map((check, i) =>
    read(check.spectrum, `/performanceChecks/${i}`),
  );
  return { readings, checks, faults: [...reader.faults, ...reader.unnamed()] };
}

class FilesReader {
  readonly faults: FileFault[] = [];
  readonly #namedAt = new Map<string, string>();
  readonly #pointsMax: number;
  #pointsLeft: number;

  constructor(
    private readonly files: ZipEntries | null,
    private readonly limits: SiteFolder['limits'],
  ) {
    this.#pointsMax = Math.ceil(limits.bundleBytesMax / PACKED_BYTES_A_POINT);
    this.#pointsLeft = this.#pointsMax;
  }

  /** The spectrum of a result or check. What it declares is looked at before anything is inflated. */
  spectrum(of: SpectrumFile, pointer: string): SpectrumReading {
    const tooMany = pointsFault(of.points, this.limits.spectrumPointsMax) ?? this.#tooManyInAll(of);
    const size = this.files?.get(of.file)?.size ?? 0;
    if (tooMany !== null) {
      this.#name(of, pointer);
      return { kind: 'faulty', fault: tooMany };
    }
    this.#pointsLeft -= of.points;
    if (size > fileBytesMax(of.points)) {
      this.#name(of, pointer);
      const most = `expected at most ${fileBytesMax(of.points)} bytes for ${of.points} points`;
      return { kind: 'faulty', fault: fileFault(of, `${most}, found ${size}`) };
    }
    const bytes = this.bytes(of, pointer);
    if (bytes !== null) return decodeSpectrumFile(bytes, of);
    const message = `${of.file}: the bundle's file cannot be used`;
    return { kind: 'faulty', fault: { rule: 'bundle-file', pointer: '/file', message } };
  }

  #tooManyInAll({ points }: SpectrumFile): SpectrumFault | null {
    if (points <= this.#pointsLeft) return null;
    const most = `expected at most ${this.#pointsMax} points in all files of the bundle`;
    const message = `${most}, ${this.#pointsLeft} of them left, found ${points}`;
    return { rule: 'spectrum-points', pointer: '/points', message };
  }

  /** The bytes that have the digest stated; null when there are none, with a fault. */
  bytes(of: SpectrumFile, pointer: string): Uint8Array | null {
    const entry = this.#name(of, pointer);
    if (entry === null) return null;
    const at = `${pointer}/spectrum/file`;
    const content = readZipEntry(entry);
    if (!content.ok) return this.#fault('damaged', at, `${of.file}: ${content.fault.message}`);
    const digest = sha256(content.bytes);
    if (digest !== of.sha256) {
      const found = `${of.file}: the bundle states SHA-256 ${of.sha256}, the file has ${digest}`;
      return this.#fault('digest', `${pointer}/spectrum/sha256`, found);
    }
    const archive = archiveKind(content.bytes);
    if (archive === null) return content.bytes;
    return this.#fault('archive', at, `${of.file}: expected a spectrum, found ${archive}`);
  }

  /** Entries that nothing named. */
  unnamed(): FileFault[] {
    const names = [...(this.files?.keys() ?? [])];
    return names
      .filter((name) => name !== BUNDLE_DOCUMENT && !this.#namedAt.has(name))
      .map((name) => {
        return { kind: 'unnamed', pointer: '', message: `${shownName(name)} is named by nothing` };
      });
  }

  /** The entry a spectrum names, when it is there and nothing named it before. */
  #name({ file }: SpectrumFile, pointer: string): ZipEntry | null {
    const at = `${pointer}/spectrum/file`;
    const before = this.#namedAt.get(file);
    if (before !== undefined) return this.#fault('shared', at, `${file} is named at ${before} too`);
    this.#namedAt.set(file, pointer);
    if (this.files === null) {
      return this.#fault('missing', at, `${file}: a bundle that is no zip archive holds no files`);
    }
    const entry = file === BUNDLE_DOCUMENT ? undefined : this.files.get(file);
    return entry ?? this.#fault('missing', at, `${file}: the archive has no such entry`);
  }

  #fault(kind: FileFaultKind, pointer: string, message: string): null {
    this.faults.push({ kind, pointer, message });
    return null;
  }
}

/** First bytes of what can hold files again, in hex (from memory; the formats' own descriptions have them). */
const ARCHIVES: readonly (readonly [string, string])[] = [
  ['504b0304', 'a zip archive'],
  ['504b0506', 'a zip archive'],
  ['1f8b', 'a gzip file'],
  ['425a68', 'a bzip2 file'],
  ['fd377a585a00', 'an xz file'],
  ['28b52ffd', 'a zstd file'],
  ['377abcaf271c', 'a 7z archive'],
  ['526172211a07', 'a rar archive'],
];
const TAR_MARK_AT = 257;

function archiveKind(bytes: Uint8Array): string | null {
  const text = (from: number, to: number) => Buffer.from(bytes.subarray(from, to));
  const head = text(0, 8).toString('hex');
  const found = ARCHIVES.find(([mark]) => head.startsWith(mark));
  if (found !== undefined) return found[1];
  const mark = text(TAR_MARK_AT, TAR_MARK_AT + 5).toString('latin1');
  return mark === 'ustar' ? 'a tar archive' : null;
}
