import { canonicalJson, type Sha256, sha256 } from '../formats/canonical-json.js';
import { encodeFloats, type FloatWidth } from '../formats/float-array.js';
import { writeZip, type ZipFile } from '../formats/zip-writer.js';
import {
  BUNDLE_DOCUMENT,
  BUNDLE_FORMAT,
  BUNDLE_VERSION,
  type ResultBundle,
  type Spectrum,
} from '../intake/result-bundle.js';
import { contentParts } from './bundle-parts.js';

/** A bundle before it has a format marker and a manifest. */
export type BundleParts = Omit<ResultBundle, 'format' | 'version' | 'manifest'>;

export interface AssembledBundle {
  readonly bytes: Uint8Array;
  /** SHA-256 of the bytes: what the instrument's next bundle states as `previousBundle`. */
  readonly sha256: Sha256;
  readonly document: ResultBundle;
}

/** Adds format, version and manifest, and writes the RFC 8785 form: the same parts give the same bytes. */
export function assembleBundle(parts: BundleParts): AssembledBundle {
  const document: ResultBundle = {
    format: BUNDLE_FORMAT,
    version: BUNDLE_VERSION,
    ...parts,
    manifest: {
      counts: {
        results: parts.results.length,
        performanceChecks: parts.performanceChecks.length,
        auditEvents: parts.auditEvents.length,
      },
      parts: contentParts(parts),
    },
  };
  const bytes = Buffer.from(`${canonicalJson(document)}\n`, 'utf8');
  return { bytes, sha256: sha256(bytes), document };
}

/**
 * The bundle as a zip archive: its document beside the files it names, as they are. The same parts and files give
 * the same bytes, see `writeZip`.
 *
 * @throws RangeError for names that `writeZip` does not take
 */
export function assembleZipBundle(
  parts: BundleParts,
  files: readonly ZipFile[],
  method: 'store' | 'deflate',
): AssembledBundle {
  const { bytes: json, document } = assembleBundle(parts);
  const bytes = writeZip([{ name: BUNDLE_DOCUMENT, bytes: json }, ...files], method);
  return { bytes, sha256: sha256(bytes), document };
}

/**
 * A measured curve in the form bundles carry: axis in cm-1 and intensity, both little-endian base64 of
 * the given width.
 */
export function encodeSpectrum(
  axis: ArrayLike<number>,
  intensity: ArrayLike<number>,
  width: FloatWidth,
  intensityUnit: Spectrum['intensityUnit'] = 'counts',
): Spectrum {
  if (axis.length !== intensity.length) {
    throw new RangeError(`axis has ${axis.length} values, intensity ${intensity.length}`);
  }
  return {
    points: axis.length,
    axis: { encoding: 'base64', width, data: encodeFloats(axis, width) },
    intensity: { encoding: 'base64', width, data: encodeFloats(intensity, width) },
    intensityUnit,
  };
}
