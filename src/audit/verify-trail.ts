// Longer than other files: one pass over a trail is one thought, and its steps share where it is.

import { parseTimestamp } from '../formats/instant.js';
import { CHAIN_START, chainHash, SEAL_ALGORITHM } from './chain.js';
import { checkpointDigest, type SignedCheckpoint } from './checkpoint.js';
import { CheckpointTrust } from './checkpoint-trust.js';
import { appendLeaf, EMPTY_EDGE, leafHash, rootOfEdge, type TreeEdge } from './merkle.js';
import { type PublicTrailKey, parsePublicKey } from './signing-key.js';
import { entryBytes, type SealedEntry } from './trail-entry.js';
import { Findings, type TrailFault, type TrailFaultKind, type TrailRemark } from './trail-fault.js';

/** Action of the entry that announces a public key; its `after` is a `PublicTrailKey`. */
export const KEY_ANNOUNCED = 'trail.key-announced';
/** Action of the entry by which the sealer says that its clock was set back. */
export const CLOCK_SET_BACK = 'trail.clock-set-back';

/** Seals may lie so much before the one before: processes read one clock a little apart. */
const STEP_MS_MAX = 1_000;
/** A change may seem so much later than its seal before it is worth a remark. */
const AHEAD_MS_MAX = 5_000;
/** Entries are sealed within a second; past this something kept the sealer from it. */
export const UNSEALED_MS_MAX = 10_000;

/** Where a checkpoint was found: beside the entries, or where the owner of the database cannot write. */
export type CheckpointOrigin = 'trail' | 'outside';

/** What the sealer's own row says: how far it is. */
export interface TrailEnd {
  readonly size: number;
  /** Hash of the last sealed entry, hex. */
  readonly head: string;
  /** Root over all sealed entries, hex. */
  readonly root: string;
}

export interface TrailReport {
  readonly site: string;
  readonly entries: number;
  readonly sealed: number;
  readonly unsealed: number;
  readonly firstBroken: TrailFault | null;
  /** The first of them; `brokenCount` counts all. */
  readonly broken: readonly TrailFault[];
  readonly brokenCount: number;
  readonly remarks: readonly TrailRemark[];
  readonly remarkCount: number;
  readonly checkpoints: {
    readonly trail: number;
    readonly outside: number;
    readonly signed: number;
  };
  /** Entries that a checkpoint with the right root covers. */
  readonly covered: number;
  readonly head: string;
  readonly root: string;
}

/** An entry whose hash is not what its content and place give; what it is, the next one helps to tell. */
interface Doubt {
  readonly sealed: SealedEntry;
  readonly previous: Buffer;
  readonly place: number;
}

/**
 * Judges one trail in one pass and bounded memory. Feed the sealed entries in order of their number, every
 * checkpoint when as many entries went before as it covers (`place` says how many did), then what is unsealed, and
 * ask for the report.
 */
export class TrailVerifier {
  readonly #found = new Findings();
  readonly #trust: CheckpointTrust;
  readonly #count = { trail: 0, outside: 0, signed: 0 };
  #place = 0;
  #sealed = 0;
  #unsealed = 0;
  #hash: Buffer = CHAIN_START;
  #edge: TreeEdge = EMPTY_EDGE;
  /** False once something before this place is broken: roots then differ for a reason already named. */
  #isWhole = true;
  #doubt: Doubt | null = null;
  #sealedAt = Number.NEGATIVE_INFINITY;
  #covered = 0;
  /** Digest of the latest checkpoint of the trail; null before the first. */
  #previousCheckpoint: string | null = null;
  #unsigned = 0;

  constructor(
    private readonly site: string,
    trustedKeys: readonly PublicTrailKey[] = [],
  ) {
    this.#trust = new CheckpointTrust(trustedKeys);
  }

  /** How many entries went before: checkpoints of this size or less are due. */
  get place(): number {
    return this.#place;
  }

  /** Root over the entries that went before, hex. */
  get root(): string {
    return rootOfEdge(this.#edge).toString('hex');
  }

  entry(sealed: SealedEntry): void {
    this.#settleDoubt(sealed);
    this.#sealed += 1;
    const { entry } = sealed;
    const link = this.#takePlace(sealed);
    if (link === 'taken') return;
    const bytes = entryBytes(entry);
    const previous = this.#hash;
    const expected = chainHash(previous, bytes);
    const stored = hashOf(sealed);
    const isAsSealed =
      stored?.equals(expected) === true &&
      entry.algorithm === SEAL_ALGORITHM &&
      entry.site === this.site;
    if (!isAsSealed && link === 'next') {
      this.#isWhole = false;
      this.#doubt = { sealed, previous, place: this.#place };
    }
    this.#hash = stored ?? expected;
    this.#edge = appendLeaf(this.#edge, leafHash(bytes));
    this.#place += 1;
    this.#lookAtTimes(sealed);
    if (entry.action === KEY_ANNOUNCED && isAsSealed) this.#announce(sealed);
  }

  /** An entry that no sealer has numbered, and how long it has waited by what the trail knows of time. */
  unsealed({ entry }: SealedEntry, waitedMs: number): void {
    this.#unsealed += 1;
    if (entry.site === this.site && Math.abs(waitedMs) <= UNSEALED_MS_MAX) return;
    const text =
      waitedMs > 0
        ? `entry ${entry.id} of ${entry.at} has waited ${Math.round(waitedMs / 1000)} s for its seal; ${UNSEALED_MS_MAX / 1000} s is the most`
        : `unsealed entry ${entry.id} bears a time to come, ${entry.at}`;
    this.#fault('unsealed-too-long', null, { entry: entry.id, text });
  }

  /** What stands where an entry or a checkpoint was expected and is neither. */
  unreadable(text: string): void {
    this.#isWhole = false;
    this.#fault('unreadable', this.#place, { text });
  }

  /** A checkpoint whose place it is; of two of one size, the one of the trail first. */
  checkpoint(signed: SignedCheckpoint, origin: CheckpointOrigin): void {
    this.#settleDoubt(null);
    const { checkpoint } = signed;
    this.#count[origin] += 1;
    const isSame = this.#isSameAsInTrail(signed, origin);
    if (origin === 'trail') this.#follow(signed);
    if (!isSame) this.#lookAtSignature(signed);
    if (checkpoint.site !== this.site) {
      this.#mismatch(signed, `it is of the trail of ${checkpoint.site}`);
    } else if (checkpoint.size > this.#place) {
      this.#isWhole = false;
      this.#fault('truncated', this.#place, {
        upTo: checkpoint.size - 1,
        checkpoint: checkpoint.size,
        text: `the checkpoint of ${checkpoint.time} covers ${checkpoint.size} entries (${origin === 'outside' ? 'kept outside' : 'of this trail'}), and ${this.#place} are here`,
      });
    } else if (this.#isWhole) {
      this.#compare(signed, origin);
    }
  }

  report(end: TrailEnd | null): TrailReport {
    this.#settleDoubt(null);
    if (end !== null) this.#lookAtEnd(end);
    this.#closingRemarks();
    const { faults, faultCount, remarks, remarkCount } = this.#found;
    return {
      site: this.site,
      entries: this.#sealed + this.#unsealed,
      sealed: this.#sealed,
      unsealed: this.#unsealed,
      firstBroken: faults.reduce(earlier, null),
      broken: faults,
      brokenCount: faultCount,
      remarks,
      remarkCount,
      checkpoints: { ...this.#count },
      covered: this.#covered,
      head: this.#hash.toString('hex'),
      root: rootOfEdge(this.#edge).toString('hex'),
    };
  }

  /** Numbers follow one another: `behind-gap` when some are missing before this one, `taken` when it has another's. */
  #takePlace({ entry }: SealedEntry): 'next' | 'behind-gap' | 'taken' {
    const { sequence, id } = entry;
    const place = this.#place;
    if (sequence === place) return 'next';
    this.#isWhole = false;
    if (!Number.isSafeInteger(sequence) || (sequence ?? 0) < place) {
      const text = `entry ${id} bears the number ${sequence} a second time`;
      this.#fault('inserted', sequence, { entry: id, text });
      return 'taken';
    }
    const last = Number(sequence) - 1;
    const what = last === place ? `entry ${place} is` : `entries ${place} to ${last} are`;
    this.#fault('deleted', place, {
      ...(last === place ? {} : { upTo: last }),
      text: `${what} missing before entry ${id}`,
    });
    this.#place = Number(sequence);
    // What stood before this one is gone, so its link cannot be tested; its hash carries on.
    return 'behind-gap';
  }

  #settleDoubt(next: SealedEntry | null): void {
    const doubt = this.#doubt;
    if (doubt === null) return;
    this.#doubt = null;
    const { sealed, place } = doubt;
    const { kind, text } = diagnose(doubt, next, this.site);
    this.#fault(kind, place, { entry: sealed.entry.id, text });
  }

  #lookAtTimes({ entry }: SealedEntry): void {
    const sealedAt = microsOf(entry.sealedAt);
    const at = microsOf(entry.at);
    if (this.#sealedAt - sealedAt > STEP_MS_MAX * 1000) {
      this.#found.remark({
        kind: 'clock-set-back',
        sequence: entry.sequence,
        text: `the clock went back ${seconds(this.#sealedAt - sealedAt)} s before entry ${entry.sequence} was sealed (${entry.sealedAt})${entry.action === CLOCK_SET_BACK ? ', and the sealer says so' : ''}`,
      });
    }
    if (at - sealedAt > AHEAD_MS_MAX * 1000) {
      this.#found.remark({
        kind: 'time-ahead',
        sequence: entry.sequence,
        text: `entry ${entry.sequence} bears a time ${seconds(at - sealedAt)} s after its own seal: a clock was set back in between`,
      });
    }
    if (!Number.isNaN(sealedAt)) this.#sealedAt = sealedAt;
  }

  #announce({ entry }: SealedEntry): void {
    const key = announcedKey(entry.after);
    if (key !== null) this.#trust.announce(key);
  }

  /** A copy outside of a checkpoint the trail has too was judged with that. */
  #isSameAsInTrail({ checkpoint }: SignedCheckpoint, origin: CheckpointOrigin): boolean {
    return origin === 'outside' && this.#previousCheckpoint === checkpointDigest(checkpoint);
  }

  /** Checkpoints of a trail name one another, so that none can be left out or put in. */
  #follow({ checkpoint }: SignedCheckpoint): void {
    if (checkpoint.previous !== this.#previousCheckpoint) {
      this.#fault('checkpoint-mismatch', this.#covered, {
        checkpoint: checkpoint.size,
        text: `the checkpoint of size ${checkpoint.size} does not follow the one before it: one was left out, put in or changed`,
      });
    }
    this.#previousCheckpoint = checkpointDigest(checkpoint);
  }

  #lookAtSignature(signed: SignedCheckpoint): void {
    const { checkpoint } = signed;
    const verdict = this.#trust.judge(signed);
    if (verdict.kind === 'signed') {
      this.#count.signed += 1;
      if (verdict.isFirstUse) {
        this.#found.remark({
          kind: 'key-from-trail',
          sequence: null,
          text: `key ${verdict.by} is believed because the trail itself names it; give --public-key to compare with one kept elsewhere`,
        });
      }
      if (checkpoint.retires !== null) {
        this.#found.remark({
          kind: 'key-changed',
          sequence: checkpoint.size - 1,
          text: `the signing key was changed at size ${checkpoint.size} (${checkpoint.time})`,
        });
      }
      return;
    }
    if (verdict.kind === 'unsigned' && !this.#trust.expectsSignature) {
      this.#unsigned += 1;
      return;
    }
    const why = verdict.kind === 'refused' ? verdict.why : 'it is unsigned';
    this.#fault('bad-signature', checkpoint.size === 0 ? null : checkpoint.size - 1, {
      checkpoint: checkpoint.size,
      text: `the checkpoint of size ${checkpoint.size} is not signed as it should be: ${why}`,
    });
  }

  #compare(signed: SignedCheckpoint, origin: CheckpointOrigin): void {
    const { checkpoint } = signed;
    if (checkpoint.size < this.#place) {
      this.#mismatch(signed, 'it comes after entries that it does not cover');
      return;
    }
    const root = rootOfEdge(this.#edge).toString('hex');
    if (checkpoint.root === root && checkpoint.head === this.#hash.toString('hex')) {
      this.#covered = checkpoint.size;
      return;
    }
    this.#isWhole = false;
    this.#mismatch(
      signed,
      `the entries give another root than ${origin === 'outside' ? 'the checkpoint kept outside' : 'it'} has: they were rewritten after it was made`,
    );
  }

  #mismatch({ checkpoint }: SignedCheckpoint, why: string): void {
    const last = Math.max(this.#covered, Math.min(checkpoint.size, this.#place) - 1);
    this.#fault('checkpoint-mismatch', this.#covered, {
      ...(last > this.#covered ? { upTo: last } : {}),
      checkpoint: checkpoint.size,
      text: `checkpoint of size ${checkpoint.size} (${checkpoint.time}): ${why}`,
    });
  }

  #lookAtEnd(end: TrailEnd): void {
    if (end.size > this.#place) {
      this.#fault('truncated', this.#place, {
        upTo: end.size - 1,
        text: `the sealer has sealed ${end.size} entries, and ${this.#place} are here`,
      });
    } else if (end.size < this.#place) {
      this.#fault('inserted', end.size, {
        upTo: this.#place - 1,
        text: `the sealer has sealed ${end.size} entries, and ${this.#place} are here`,
      });
    } else if (
      this.#isWhole &&
      (end.head !== this.#hash.toString('hex') ||
        end.root !== rootOfEdge(this.#edge).toString('hex'))
    ) {
      this.#fault('head-mismatch', Math.max(0, this.#place - 1), {
        text: "the sealer's own record of the end is another than the entries give",
      });
    }
  }

  #closingRemarks(): void {
    const { trail, outside, signed } = this.#count;
    if (this.#unsigned > 0) {
      const text = `${this.#unsigned} of ${trail + outside} checkpoints are unsigned: whoever may write where they are kept could have replaced them`;
      this.#found.remark({ kind: 'unsigned', sequence: null, text });
    }
    if (this.#trust.isPinned && signed === 0 && this.#sealed > 0) {
      const text = 'no checkpoint is signed by the key given';
      this.#fault('bad-signature', null, { text });
    }
    if (trail + outside === 0 && this.#sealed > 0) {
      this.#found.remark({
        kind: 'no-checkpoint',
        sequence: null,
        text: 'there is no checkpoint: whoever may write the database could have rewritten all of it',
      });
    } else if (this.#isWhole && this.#place > this.#covered) {
      this.#found.remark({
        kind: 'after-last-checkpoint',
        sequence: this.#covered,
        text: `entries ${this.#covered} to ${this.#place - 1} stand behind the last checkpoint, in the chain only`,
      });
    }
  }

  #fault(
    kind: TrailFaultKind,
    sequence: number | null,
    more: Omit<TrailFault, 'kind' | 'sequence'>,
  ): void {
    this.#found.fault({ kind, sequence, ...more });
  }
}

/** What an entry is whose hash does not fit, as far as it and the one behind it can tell. */
function diagnose(
  { sealed, previous, place }: Doubt,
  next: SealedEntry | null,
  site: string,
): { readonly kind: TrailFaultKind; readonly text: string } {
  const { entry } = sealed;
  if (entry.site !== site) {
    return { kind: 'inserted', text: `entry ${place} (${entry.id}) is of ${entry.site}` };
  }
  if (next !== null) {
    const moved = chainHash(previous, entryBytes({ ...next.entry, sequence: place }));
    const isNextSealedHere = hashOf(next)?.equals(moved) === true;
    const isHereSealedNext = hashOf(sealed)?.equals(moved) === true;
    const back = chainHash(moved, entryBytes({ ...entry, sequence: place + 1 }));
    const isSwap = hashOf(sealed)?.equals(back) === true || hashOf(next)?.equals(back) === true;
    if ((isNextSealedHere || isHereSealedNext) && isSwap) {
      return {
        kind: 'swapped',
        text: `entries ${place} (${entry.id}) and ${place + 1} (${next.entry.id}) stand in each other's place`,
      };
    }
    if (isNextSealedHere) {
      return {
        kind: 'inserted',
        text: `entry ${place} (${entry.id}) was put in; the one behind it was sealed in its place`,
      };
    }
  }
  return {
    kind: 'edited',
    text: `entry ${place} (${entry.id}) is not what was sealed there: it was changed, or comes from another place, or the hash of the entry before it was replaced`,
  };
}

/** The key that an announcing entry names; null when it names none. */
export function announcedKey(after: string | null): PublicTrailKey | null {
  try {
    const value: unknown = JSON.parse(after ?? 'null');
    if (typeof value !== 'object' || value === null || !('publicKey' in value)) return null;
    return parsePublicKey(String(value.publicKey));
  } catch {
    // An entry that says something else.
    return null;
  }
}

/** The fault of the lower number; one without a number comes last. */
function earlier(first: TrailFault | null, fault: TrailFault): TrailFault {
  if (first === null) return fault;
  return (fault.sequence ?? Infinity) < (first.sequence ?? Infinity) ? fault : first;
}

function hashOf({ hash }: SealedEntry): Buffer | null {
  return typeof hash === 'string' && /^[0-9a-f]{64}$/.test(hash) ? Buffer.from(hash, 'hex') : null;
}

function microsOf(text: string | null): number {
  return text === null ? Number.NaN : (parseTimestamp(text)?.instant ?? Number.NaN);
}

function seconds(micros: number): string {
  return (micros / 1_000_000).toFixed(1);
}
