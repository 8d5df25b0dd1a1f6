import { canonicalJson, type JsonValue, type Sha256, sha256 } from '../formats/canonical-json.js';
import { type Signature, type SignatureSubject, signatureDigest } from './signature.js';

/**
 * Exactly what a signer was shown. `record` is what the signature rests on: once that reads differently, the
 * signature is void. `context` is what was beside it (the state before the act, what the act would do); it is
 * bound by the digest as well, and a change of it after the signature says nothing against it.
 */
export interface ShownDocument {
  readonly subject: SignatureSubject;
  readonly record: JsonValue;
  readonly context: JsonValue;
}

/** The text that is stored and the digest a signer names: of the RFC 8785 form. */
export function bindShown(shown: ShownDocument): {
  readonly text: string;
  readonly sha256: Sha256;
} {
  const text = canonicalJson(shown);
  return { text, sha256: sha256(text) };
}

/** Whether a signature still says something about its record. Worked out each time, never stored. */
export type Validity =
  | { readonly kind: 'valid' }
  | {
      readonly kind: 'void';
      /** JSON Pointers of the members of the record that read differently now; '' is the record itself. */
      readonly changed: readonly string[];
    };

/** Members named at most; the first that differ say enough. */
const CHANGED_MAX = 20;

/**
 * Compares what was signed with the record as it is now. A subject of another kind, id or revision, a record
 * that is gone (null), and a signature that is not as it was made void it as a whole.
 */
export function validityOf(
  signature: Signature,
  current: Pick<ShownDocument, 'subject' | 'record'> | null,
): Validity {
  if (current === null || !isAsMade(signature)) return WHOLE;
  const { subject, record } = JSON.parse(signature.shown) as ShownDocument;
  const subjects = [signature.subject, current.subject].map((s) => canonicalJson(s));
  if (subjects.some((s) => s !== canonicalJson(subject))) return WHOLE;
  const changed = differences(record, current.record);
  return changed.length === 0 ? { kind: 'valid' } : { kind: 'void', changed };
}

/** True when neither its fields nor what was shown were altered since. */
export function isAsMade(signature: Signature): boolean {
  return (
    sha256(signature.shown) === signature.shownSha256 &&
    signatureDigest(signature) === signature.digest
  );
}

const WHOLE: Validity = { kind: 'void', changed: [''] };

/** JSON Pointers (RFC 6901) of the deepest members in which two values differ, in the order of their keys. */
export function differences(before: JsonValue, after: JsonValue): string[] {
  const found: string[] = [];
  collect(before, after, '', found);
  return found.slice(0, CHANGED_MAX);
}

function collect(before: unknown, after: unknown, pointer: string, found: string[]): void {
  if (found.length >= CHANGED_MAX) return;
  const [a, b] = [membersOf(before), membersOf(after)];
  if (a === null || b === null || Array.isArray(before) !== Array.isArray(after)) {
    if (!isSame(before, after)) found.push(pointer);
    return;
  }
  const keys = [...new Set([...a.keys(), ...b.keys()])];
  for (const key of keys.sort())
    collect(a.get(key), b.get(key), `${pointer}/${escaped(key)}`, found);
}

function isSame(before: unknown, after: unknown): boolean {
  if (before === undefined || after === undefined) return before === after;
  return canonicalJson(before) === canonicalJson(after);
}

/** Members of an object or array by key or index; null for anything else. */
function membersOf(value: unknown): Map<string, unknown> | null {
  return typeof value === 'object' && value !== null ? new Map(Object.entries(value)) : null;
}

function escaped(key: string): string {
  return key.replaceAll('~', '~0').replaceAll('/', '~1');
}
