import { sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import { type Signature, signatureDigest } from './signature.js';

/** Of an entry of the trail, what binds a signature to its act. */
export interface SigningEntry {
  readonly entryId: string;
  readonly at: Instant;
  readonly actor: string;
  readonly subjectKind: string;
  readonly subjectId: string;
  /** From the entry's `after.signature`. */
  readonly signatureId: string;
  readonly signatureDigest: string;
}

/** What is wrong with one signature; the first of these that applies. */
export interface BrokenSignature {
  readonly signatureId: string;
  readonly fault: /** Its fields are not those it was made with. */
    | 'altered'
    /** The document shown is not the one it names. */
    | 'shown-altered'
    /** No entry of the trail speaks of it: written into the table by somebody else, or copied. */
    | 'not-in-trail'
    /** The trail has another digest for it: altered, and its digest fixed up. */
    | 'other-digest'
    /** The entry is about another record, person or time: moved. */
    | 'moved'
    /** More than one act claims it. */
    | 'claimed-twice'
    /** The trail speaks of it and it is gone: cut out. */
    | 'missing';
  readonly detail: string;
}

/** What was found of the signatures of a trail. */
export interface SignatureReport {
  readonly checked: number;
  readonly broken: readonly BrokenSignature[];
}

/**
 * Holds signatures against the entries of the acts they were made for (21 CFR 11.70): none may be altered,
 * copied to another record, moved or cut out unseen. That the entries themselves are whole is the sealed
 * trail's to show.
 *
 * @param signatures all that are to be looked at
 * @param entries every entry that names a signature, of the same records
 */
export function verifySignatures(
  signatures: readonly Signature[],
  entries: readonly SigningEntry[],
): BrokenSignature[] {
  const verifier = new SignatureVerifier();
  for (const entry of entries) verifier.entry(entry);
  for (const signature of signatures) verifier.signature(signature);
  return [...verifier.report().broken];
}

/** As `verifySignatures`, one after the other: feed every entry, then every signature, then ask for the report. */
export class SignatureVerifier {
  readonly #entries = new Map<string, SigningEntry[]>();
  readonly #seen = new Set<string>();
  readonly #broken: BrokenSignature[] = [];

  entry(entry: SigningEntry): void {
    const known = this.#entries.get(entry.signatureId);
    if (known) known.push(entry);
    else this.#entries.set(entry.signatureId, [entry]);
  }

  signature(signature: Signature): void {
    const { id } = signature;
    const fault = this.#seen.has(id)
      ? ({ fault: 'claimed-twice', detail: 'it is here twice' } as const)
      : faultOf(signature, this.#entries.get(id) ?? []);
    this.#seen.add(id);
    if (fault !== null) this.#broken.push({ signatureId: id, ...fault });
  }

  report(): SignatureReport {
    const missing = [...this.#entries]
      .filter(([id]) => !this.#seen.has(id))
      .map(([signatureId, [entry]]) => ({
        signatureId,
        fault: 'missing' as const,
        detail: `entry ${entry?.entryId ?? ''} of the trail names it and it is not there`,
      }));
    return { checked: this.#seen.size, broken: [...this.#broken, ...missing] };
  }
}

/** What an entry's `after` says of a signature; null for one that names none, also where it is no JSON. */
export function namedSignature(after: string | null): { id: string; digest: string } | null {
  if (after === null || !after.includes('"signature":{')) return null;
  try {
    const { signature } = JSON.parse(after) as {
      readonly signature?: { readonly id?: unknown; readonly digest?: unknown };
    };
    if (typeof signature?.id !== 'string' || typeof signature.digest !== 'string') return null;
    return { id: signature.id, digest: signature.digest };
  } catch {
    // An entry that somebody has written into; the sealed trail says so.
    return null;
  }
}

type Fault = Omit<BrokenSignature, 'signatureId'>;

function faultOf(signature: Signature, entries: readonly SigningEntry[]): Fault | null {
  const digest = signatureDigest(signature);
  if (digest !== signature.digest) {
    return {
      fault: 'altered',
      detail: `its fields give ${digest}, it was made as ${signature.digest}`,
    };
  }
  const shown = sha256(signature.shown);
  if (shown !== signature.shownSha256) {
    return { fault: 'shown-altered', detail: `the document gives ${shown}` };
  }
  const [entry, ...more] = entries;
  if (entry === undefined) {
    return { fault: 'not-in-trail', detail: 'no entry of the trail names it' };
  }
  if (more.length > 0) {
    return { fault: 'claimed-twice', detail: `${entries.length} entries of the trail name it` };
  }
  if (entry.signatureDigest !== digest) {
    return { fault: 'other-digest', detail: `entry ${entry.entryId} has ${entry.signatureDigest}` };
  }
  const { subject } = signature;
  const isItsOwn =
    entry.subjectKind === subject.kind &&
    entry.subjectId === subject.id &&
    entry.actor === signature.accountId &&
    entry.at === signature.at;
  return isItsOwn
    ? null
    : {
        fault: 'moved',
        detail: `entry ${entry.entryId} is about ${entry.subjectKind} ${entry.subjectId}, by ${entry.actor}`,
      };
}
