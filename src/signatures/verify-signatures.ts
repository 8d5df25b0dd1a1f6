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
  const byId = new Map<string, SigningEntry[]>();
  for (const entry of entries) {
    const known = byId.get(entry.signatureId);
    if (known) known.push(entry);
    else byId.set(entry.signatureId, [entry]);
  }
  const broken: BrokenSignature[] = [];
  for (const signature of signatures) {
    const fault = faultOf(signature, byId.get(signature.id) ?? []);
    if (fault !== null) broken.push({ signatureId: signature.id, ...fault });
  }
  const there = new Set(signatures.map((s) => s.id));
  for (const [signatureId, [entry]] of byId) {
    if (there.has(signatureId)) continue;
    broken.push({
      signatureId,
      fault: 'missing',
      detail: `entry ${entry?.entryId ?? ''} of the trail names it and it is not there`,
    });
  }
  return broken;
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
