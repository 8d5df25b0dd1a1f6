// Longer than other files: one pass over a trail is one thought, and its steps share where it is.

import { parseTimestamp } from '../formats/instant.js';
import { CHAIN_START, chainHash, SEAL_ALGORITHM } from './chain.js';
import { checkpointDigest, type SignedCheckpoint } from './checkpoint.js';
import { CheckpointTrust } from './checkpoint-trust.js';
import {
  addEnded,
  type EndedLife,
  type Life,
  lifeBegunBy,
  lifeThatEnded,
  remarkOf,
} from './lives.js';
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
  /** Lives before this one of which checkpoints outside cover entries that are not here; a remark of each comes first. */
  readonly endedLives: readonly EndedLife[];
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

/** A checkpoint kept outside that does not fit; whether a restore is why, only the rest of the trail can tell. */
interface Unmatched {
  readonly signed: SignedCheckpoint;
  /** null when what it covers was not all read. */
  readonly fault: TrailFault | null;
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
  /** How many entries the latest checkpoint outside covers that fits. */
  #coveredOutside = 0;
  readonly #lives: Life[] = [];
  readonly #unmatched: Unmatched[] = [];
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
    if (!isAsSealed) return;
    if (entry.action === KEY_ANNOUNCED) this.#announce(sealed);
    const life = lifeBegunBy(entry, this.#coveredOutside);
    if (life !== null) this.#lives.push(life);
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

  /** What is kept outside as a checkpoint and is none: it says nothing about any entry. */
  unreadableOutside(text: string): void {
    this.#fault('unreadable', null, { text });
  }

  /** A checkpoint whose place it is; of two of one size, the one of the trail first. */
  checkpoint(signed: SignedCheckpoint, origin: CheckpointOrigin): void {
    this.#settleDoubt(null);
    this.#count[origin] += 1;
    const isSame = this.#isSameAsInTrail(signed, origin);
    if (origin === 'trail') this.#follow(signed);
    const fault = this.#compare(signed, origin);
    if (origin === 'outside' && fault !== null) {
      // Of a life that was lost it may retire a key that counts here: its signature is looked at when that is known.
      this.#unmatched.push({ signed, fault });
      return;
    }
    if (!isSame) this.#lookAtSignature(signed);
    if (fault === null) return;
    this.#isWhole = false;
    this.#found.fault(fault);
  }

  /** A checkpoint kept outside that covers more than is to be read: of this life nothing can be said of it. */
  beyond(signed: SignedCheckpoint): void {
    this.#unmatched.push({ signed, fault: null });
  }

  report(end: TrailEnd | null): TrailReport {
    this.#settleDoubt(null);
    if (end !== null) this.#lookAtEnd(end);
    this.#closingRemarks();
    const endedLives = this.#settleUnmatched();
    const { first, faults, faultCount, remarks, remarkCount } = this.#found;
    return {
      site: this.site,
      entries: this.#sealed + this.#unsealed,
      sealed: this.#sealed,
      unsealed: this.#unsealed,
      firstBroken: first,
      broken: faults,
      brokenCount: faultCount,
      remarks: [...endedLives.map(remarkOf), ...remarks],
      remarkCount: remarkCount + endedLives.length,
      endedLives,
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

  /** What speaks against a checkpoint, by the entries that went before; null when it fits them. */
  #compare(signed: SignedCheckpoint, origin: CheckpointOrigin): TrailFault | null {
    const { site, size, time, head, root } = signed.checkpoint;
    if (site !== this.site) return this.#mismatch(signed, origin, `it is of the trail of ${site}`);
    if (size > this.#place) {
      return {
        kind: 'truncated',
        sequence: this.#place,
        upTo: size - 1,
        checkpoint: size,
        text: `the checkpoint of ${time} covers ${size} entries (${origin === 'outside' ? 'kept outside' : 'of this trail'}), and ${this.#place} are here`,
      };
    }
    // Who wrote the entries wrote those beside them: behind what is named already they say nothing more.
    if (!this.#isWhole && (origin === 'trail' || size < this.#place)) return null;
    if (size < this.#place) {
      return this.#mismatch(signed, origin, 'it comes after entries that it does not cover');
    }
    // Behind an entry that was changed roots differ for a reason already named; the chain goes on as it was sealed.
    const isRoot = !this.#isWhole || root === rootOfEdge(this.#edge).toString('hex');
    if (isRoot && head === this.#hash.toString('hex')) {
      if (this.#isWhole) this.#covered = size;
      if (origin === 'outside') this.#coveredOutside = size;
      return null;
    }
    const what = origin === 'outside' ? 'the checkpoint kept outside' : 'it';
    return this.#mismatch(
      signed,
      origin,
      `the entries give another root than ${what} has: they were rewritten after it was made`,
    );
  }

  #mismatch({ checkpoint }: SignedCheckpoint, origin: CheckpointOrigin, why: string): TrailFault {
    const { size, time } = checkpoint;
    const from = origin === 'outside' ? this.#coveredOutside : this.#covered;
    const last = Math.max(from, Math.min(size, this.#place) - 1);
    return {
      kind: 'checkpoint-mismatch',
      sequence: from,
      ...(last > from ? { upTo: last } : {}),
      checkpoint: size,
      text: `checkpoint of size ${size} (${time}): ${why}`,
    };
  }

  /** Of what is kept outside and does not fit: what a restore explains, by lives; the rest is at fault. */
  #settleUnmatched(): EndedLife[] {
    const ended = new Map<number, EndedLife>();
    for (const { signed, fault } of this.#unmatched) {
      const { checkpoint } = signed;
      const life = checkpoint.site === this.site ? lifeThatEnded(checkpoint, this.#lives) : null;
      if (life !== null) {
        addEnded(ended, checkpoint, life, this.#trust.isSigned(signed));
      } else if (fault !== null) {
        const { isPinned } = this.#trust;
        const doubt =
          isPinned && !this.#trust.isSigned(signed) ? '; no key that counts signed it' : '';
        this.#found.fault({ ...fault, text: `${fault.text}${doubt}` });
      }
    }
    return [...ended.values()].sort((a, b) => a.epoch - b.epoch);
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

function hashOf({ hash }: SealedEntry): Buffer | null {
  return typeof hash === 'string' && /^[0-9a-f]{64}$/.test(hash) ? Buffer.from(hash, 'hex') : null;
}

function microsOf(text: string | null): number {
  return text === null ? Number.NaN : (parseTimestamp(text)?.instant ?? Number.NaN);
}

function seconds(micros: number): string {
  return (micros / 1_000_000).toFixed(1);
}
