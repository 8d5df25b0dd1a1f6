import type { JsonValue } from '../formats/canonical-json.js';
import type { SealedEntry, TrailEntry } from './trail-entry.js';
import type { TrailReport } from './verify-trail.js';

/** What a review of a trail is of: sealed entries by number, the first and the last included. */
export interface ReviewRange {
  readonly first: number;
  readonly last: number;
}

/** A review that was signed. */
export interface EarlierReview extends ReviewRange {
  readonly id: string;
  /** Root over entries 0 to `last`, hex, as it was signed. */
  readonly root: string;
  readonly findings: string;
  /** RFC 3339 in UTC. */
  readonly at: string;
  /** Account, and its signer's names as they were signed; empty when the signature is gone. */
  readonly reviewer: string;
  readonly printedName: string;
  readonly userName: string;
  readonly signatureId: string;
  /** Digest of what was signed. */
  readonly digest: string;
}

/**
 * The range that is due: from behind the last review up to what a checkpoint covers, or up to all that is sealed
 * where no checkpoint covers anything new. null when nothing was sealed since.
 *
 * @param sealed how many entries are sealed
 * @param covered how many of them the latest checkpoint covers
 */
export function dueRange(
  latest: ReviewRange | null,
  sealed: number,
  covered: number,
): ReviewRange | null {
  const first = latest === null ? 0 : latest.last + 1;
  if (first >= sealed) return null;
  const size = covered > first && covered <= sealed ? covered : sealed;
  return { first, last: size - 1 };
}

/** A signature that stands for a review, as its subject and digest say. */
export interface ReviewSignature {
  readonly id: string;
  readonly subjectId: string;
  readonly shownSha256: string;
}

/** What a review is as a subject of a signature: its range. */
export function reviewSubjectId({ first, last }: ReviewRange): string {
  return `${first}-${last}`;
}

/**
 * What is wrong with the series of reviews: every entry is reviewed once, each review has its signature, and every
 * signature its review. Empty when nothing is.
 *
 * @param reviews by their last entry
 */
export function faultsOfSeries(
  reviews: readonly EarlierReview[],
  signatures: readonly ReviewSignature[],
): string[] {
  const faults: string[] = [];
  let next = 0;
  for (const review of reviews) {
    const range = `${review.first} to ${review.last}`;
    if (review.first > next) {
      faults.push(`entries ${next} to ${review.first - 1} were reviewed by nobody`);
    } else if (review.first < next || review.last < review.first) {
      faults.push(`the review of entries ${range} overlaps the one before it`);
    }
    next = Math.max(next, review.last + 1);
    const signature = signatures.find((s) => s.id === review.signatureId);
    const isItsOwn =
      signature?.subjectId === reviewSubjectId(review) && signature.shownSha256 === review.digest;
    if (!isItsOwn) faults.push(`the review of entries ${range} has no signature of its own`);
  }
  const known = new Set(reviews.map((r) => r.signatureId));
  for (const { id, subjectId } of signatures) {
    if (!known.has(id))
      faults.push(`a signature of the review of entries ${subjectId} has no review`);
  }
  return faults;
}

/** Actions and people a document lists; what comes after is counted together. */
const LISTED_MAX = 500;
/** Earlier reviews a document shows, the latest ones. */
const EARLIER_MAX = 20;

/** Counts what a range of a trail holds, while the whole trail up to its end is judged. */
export class RangeTally {
  readonly #actions = new Map<string, number>();
  readonly #people = new Map<string, number>();
  /** Root at the end of each earlier review, by how many entries it covers. */
  readonly #roots = new Map<number, string>();
  #first: TrailEntry | null = null;
  #last: TrailEntry | null = null;

  constructor(private readonly range: ReviewRange) {}

  entry({ entry }: SealedEntry): void {
    const { sequence } = entry;
    if (sequence === null || sequence < this.range.first || sequence > this.range.last) return;
    this.#first ??= entry;
    this.#last = entry;
    count(this.#actions, entry.action);
    count(this.#people, `${entry.actorKind} ${entry.actor}`);
  }

  root(size: number, root: string): void {
    this.#roots.set(size, root);
  }

  rootAt(size: number): string | null {
    return this.#roots.get(size) ?? null;
  }

  /** When the last entry was sealed, RFC 3339; null when there is none. */
  get sealedUpTo(): string | null {
    return this.#last?.sealedAt ?? null;
  }

  get span(): { readonly from: string | null; readonly to: string | null } {
    return { from: this.#first?.at ?? null, to: this.#last?.at ?? null };
  }

  get actions(): Counted[] {
    return counted(this.#actions);
  }

  get people(): Counted[] {
    return counted(this.#people);
  }
}

/** A name and how often it was counted. */
export type Counted = { readonly name: string; readonly count: number };

function count(map: Map<string, number>, name: string): void {
  map.set(name, (map.get(name) ?? 0) + 1);
}

function counted(map: ReadonlyMap<string, number>): Counted[] {
  const all = [...map].map(([name, n]) => ({ name, count: n }));
  all.sort((a, b) => (a.name < b.name ? -1 : 1));
  const rest = all.slice(LISTED_MAX);
  if (rest.length === 0) return all;
  const others = { name: '(others)', count: rest.reduce((sum, one) => sum + one.count, 0) };
  return [...all.slice(0, LISTED_MAX), others];
}

/** What a reviewer is shown and signs of a range. */
export interface ReviewedTrail {
  readonly site: string;
  readonly first: number;
  readonly last: number;
  readonly entries: number;
  /** RFC 3339: times of the first and the last entry. */
  readonly from: string | null;
  readonly to: string | null;
  /** Root and chain hash at `last`, hex. */
  readonly root: string;
  readonly head: string;
  readonly actions: readonly Counted[];
  /** As the trail names them, with the user name of an account. */
  readonly people: readonly (Counted & { readonly userName: string | null })[];
  readonly verification: {
    readonly faults: readonly string[];
    readonly faultCount: number;
    /** Those of the range, and those about no entry. */
    readonly remarks: readonly string[];
    readonly remarkCount: number;
  };
  /** Earlier reviews, the latest first; whether the trail still has the root that was signed. */
  readonly earlier: readonly (EarlierReview & { readonly rootAgrees: boolean })[];
  readonly earlierCount: number;
  readonly seriesFaults: readonly string[];
}

/** Puts together what is signed; `userNames` are those of accounts by id. */
export function reviewedTrail(of: {
  readonly site: string;
  readonly range: ReviewRange;
  readonly tally: RangeTally;
  readonly report: TrailReport;
  readonly earlier: readonly EarlierReview[];
  readonly seriesFaults: readonly string[];
  readonly userNames: ReadonlyMap<string, string>;
}): ReviewedTrail {
  const { site, range, tally, report, earlier, seriesFaults, userNames } = of;
  const { first, last } = range;
  const remarks = report.remarks.filter(({ sequence }) => sequence === null || sequence >= first);
  return {
    site,
    first,
    last,
    entries: last - first + 1,
    ...tally.span,
    root: report.root,
    head: report.head,
    actions: tally.actions,
    people: tally.people.map((one) => ({
      ...one,
      userName: userNames.get(one.name) ?? null,
    })),
    verification: {
      faults: report.broken.map(({ kind, text }) => `${kind}: ${text}`),
      faultCount: report.brokenCount,
      remarks: remarks.map(({ kind, text }) => `${kind}: ${text}`),
      remarkCount: remarks.length,
    },
    earlier: earlier
      .slice(-EARLIER_MAX)
      .reverse()
      .map((review) => ({ ...review, rootAgrees: tally.rootAt(review.last + 1) === review.root })),
    earlierCount: earlier.length,
    seriesFaults,
  };
}

/** As the record of a signature. */
export function reviewRecord(reviewed: ReviewedTrail): JsonValue {
  return reviewed as unknown as JsonValue;
}
