import { BUNDLE_FORMAT, BUNDLE_VERSION } from './result-bundle.js';

/** The little that has to be readable before a document may be called a bundle at all. */
export interface Envelope {
  readonly bundleId: string;
  readonly site: string | null;
  /** Bundles of one lane are settled in order: the serial the document names, unchecked; '' for none. */
  readonly lane: string;
}

export interface UnreadableBundle {
  /** Stable code, see docs/checks.md. */
  readonly code: string;
  readonly pointer: string;
  readonly message: string;
  readonly advice: string;
}

const BUNDLE_ID_MAX = 200;
/** Longer texts are no serial to the checks either. */
const SERIAL_MAX = 500;

/**
 * Reads format, version and bundle id from a parsed document. Everything else may be wrong and the bundle
 * is then held; without these three it is refused, since nothing could be asked about it later.
 */
export function readEnvelope(document: unknown): Envelope | UnreadableBundle {
  if (typeof document !== 'object' || document === null || Array.isArray(document)) {
    return refusal('', `expected a JSON object, found ${describe(document)}`);
  }
  const fields = document as Readonly<Record<string, unknown>>;
  if (fields.format !== BUNDLE_FORMAT) {
    return refusal('/format', `expected "${BUNDLE_FORMAT}", found ${describe(fields.format)}`);
  }
  if (fields.version !== BUNDLE_VERSION) {
    return refusal('/version', `expected "${BUNDLE_VERSION}", found ${describe(fields.version)}`);
  }
  const { bundleId, site } = fields;
  if (typeof bundleId !== 'string' || bundleId.trim() === '' || bundleId.length > BUNDLE_ID_MAX) {
    return refusal(
      '/bundleId',
      `expected a text of 1 to ${BUNDLE_ID_MAX} characters, found ${describe(bundleId)}`,
    );
  }
  return {
    bundleId,
    site: typeof site === 'string' ? site : null,
    lane: laneOf(fields.instrument),
  };
}

export function isUnreadable(read: Envelope | UnreadableBundle): read is UnreadableBundle {
  return 'code' in read;
}

function laneOf(instrument: unknown): string {
  if (typeof instrument !== 'object' || instrument === null || Array.isArray(instrument)) return '';
  const { serial } = instrument as Readonly<Record<string, unknown>>;
  return typeof serial === 'string' && serial.length <= SERIAL_MAX ? serial : '';
}

function refusal(pointer: string, message: string): UnreadableBundle {
  return {
    code: 'not-a-bundle',
    pointer,
    message,
    advice: 'Send a result bundle of a format and version this gateway reads.',
  };
}

function describe(value: unknown): string {
  if (value === undefined) return 'nothing';
  if (Array.isArray(value)) return 'an array';
  if (typeof value === 'object' && value !== null) return 'an object';
  const text = JSON.stringify(value);
  return text.length > 60 ? `${text.slice(0, 60)}…` : text;
}
