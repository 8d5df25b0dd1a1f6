import { canonicalJson } from '../formats/canonical-json.js';
import { JSON_DEPTH_MAX, parseStrictJson } from '../formats/strict-json.js';
import type { Signature } from '../signatures/signature.js';
import { readCheckpoint, type SignedCheckpoint } from './checkpoint.js';
import type { SealedEntry, TrailEntry } from './trail-entry.js';
import type { TrailEnd } from './verify-trail.js';

/*
 * A trail as a file that needs no database: JSON lines in RFC 8785 form. A heading, then every sealed entry with
 * its hash and behind it the checkpoints that end with it, then what is unsealed, then the signatures that entries
 * name, then the end.
 */

export const EXPORT_FORMAT = 'drumline-trail';
const EXPORT_VERSION = 2;

/** An entry is a few kB; what a person writes into one has its own bounds. */
export const LINE_BYTES_MAX = 16_000_000;

export type ExportLine =
  | { readonly kind: 'trail'; readonly site: string }
  | { readonly kind: 'entry'; readonly sealed: SealedEntry }
  | { readonly kind: 'checkpoint'; readonly signed: SignedCheckpoint }
  | { readonly kind: 'unsealed'; readonly entry: TrailEntry; readonly waitedMs: number }
  | { readonly kind: 'signature'; readonly signature: Signature }
  | { readonly kind: 'end'; readonly end: TrailEnd }
  | { readonly kind: 'unreadable'; readonly why: string };

export function headingLine(site: string, exportedAt: string): string {
  const format = { format: EXPORT_FORMAT, version: EXPORT_VERSION };
  return lineOf({ kind: 'trail', ...format, site, exportedAt });
}

export function entryLine({ entry, hash }: SealedEntry): string {
  return lineOf({ kind: 'entry', entry, hash });
}

export function checkpointLine(signed: SignedCheckpoint): string {
  return lineOf({ kind: 'checkpoint', ...signed });
}

export function unsealedLine(entry: TrailEntry, waitedMs: number): string {
  return lineOf({ kind: 'unsealed', entry, waitedMs });
}

export function signatureLine(signature: Signature): string {
  return lineOf({ kind: 'signature', signature });
}

export function endLine(end: TrailEnd): string {
  return lineOf({ kind: 'end', ...end });
}

/** Reads one line; `unreadable`, never an exception, for whatever is none of ours. */
export function readExportLine(line: Uint8Array): ExportLine {
  const parsed = parseStrictJson(line, { bytesMax: LINE_BYTES_MAX, depthMax: JSON_DEPTH_MAX });
  if (!parsed.ok) return unreadable(parsed.fault.message);
  const { value } = parsed;
  if (!isObject(value)) return unreadable('expected an object');
  switch (value.kind) {
    case 'trail':
      return value.format === EXPORT_FORMAT &&
        value.version === EXPORT_VERSION &&
        typeof value.site === 'string'
        ? { kind: 'trail', site: value.site }
        : unreadable(`expected the heading of ${EXPORT_FORMAT} version ${EXPORT_VERSION}`);
    case 'entry':
      return isEntry(value.entry)
        ? { kind: 'entry', sealed: { entry: value.entry, hash: textOrNull(value.hash) } }
        : unreadable('expected an entry with an id');
    case 'unsealed':
      return isEntry(value.entry) && typeof value.waitedMs === 'number'
        ? { kind: 'unsealed', entry: value.entry, waitedMs: value.waitedMs }
        : unreadable('expected an entry with an id and how long it has waited');
    case 'checkpoint':
      return checkpointOf(value);
    case 'signature':
      return isSignature(value.signature)
        ? { kind: 'signature', signature: value.signature }
        : unreadable('expected a signature with its id, subject and document');
    case 'end':
      return endOf(value);
    default:
      return unreadable(`a line of kind ${JSON.stringify(value.kind)?.slice(0, 100)}`);
  }
}

function checkpointOf({ checkpoint, signatures }: Record<string, unknown>): ExportLine {
  const signed = readCheckpoint({ checkpoint, signatures });
  return signed === null
    ? unreadable('expected a signed checkpoint')
    : { kind: 'checkpoint', signed };
}

function endOf({ size, head, root }: Record<string, unknown>): ExportLine {
  const isEnd = Number.isSafeInteger(size) && typeof head === 'string' && typeof root === 'string';
  return isEnd
    ? { kind: 'end', end: { size: Number(size), head, root } }
    : unreadable('expected size, head and root of the end');
}

function lineOf(value: object): string {
  return `${canonicalJson(value)}\n`;
}

function unreadable(why: string): ExportLine {
  return { kind: 'unreadable', why };
}

function isEntry(value: unknown): value is TrailEntry {
  return isObject(value) && typeof value.id === 'string' && typeof value.action === 'string';
}

/** As far as it has to be one to be judged; its digest says the rest. */
function isSignature(value: unknown): value is Signature {
  return (
    isObject(value) &&
    typeof value.id === 'string' &&
    typeof value.shown === 'string' &&
    isObject(value.subject)
  );
}

function textOrNull(value: unknown): string | null {
  return typeof value === 'string' ? value : null;
}

function isObject(value: unknown): value is Record<string, unknown> {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}
