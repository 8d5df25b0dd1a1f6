import { uuidv7 } from 'uuidv7';
import type { SignedCheckpoint } from '../audit/checkpoint.js';
import { trailHead } from '../audit/sealing.store.js';
import type { SealedEntry } from '../audit/trail-entry.js';
import {
  dueRange,
  type EarlierReview,
  faultsOfSeries,
  RangeTally,
  type ReviewRange,
  reviewedTrail,
  reviewRecord,
  reviewSubjectId,
} from '../audit/trail-review.js';
import {
  insertTrailReview,
  reviewSignatures,
  TRAIL_REVIEW,
  trailReviews,
  userNamesOf,
} from '../audit/trail-review.store.js';
import {
  type Comparing,
  Judging,
  readSealed,
  type TrailReading,
} from '../audit/verification.service.js';
import { type Instant, parseTimestamp } from '../formats/instant.js';
import { refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Components, SignatureSubject } from '../signatures/signature.js';
import type { Proof, SignedAct, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { TrailReviewRequest } from '../statements/trail-review-request.js';
import type {
  TrailReviewAnswer,
  TrailReviewList,
  TrailReviewView,
} from '../statements/trail-review-view.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { lockNamedIds } from './named-ids.store.js';

export interface TrailReviewParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: { readonly site: string };
  readonly signing: SigningService;
  /** Checkpoints kept outside, read anew each time. */
  readonly comparing: () => Comparing;
}

/** A document with what its range was worked out from. */
interface Prepared extends TrailReviewView {
  readonly range: ReviewRange;
  readonly text: ReturnType<typeof bindShown>;
  readonly sealedAt: Instant | null;
}

/**
 * The periodic review of the trail (EU GMP Annex 11, 9), signed. Ranges follow one another: each begins behind the
 * last that was signed, so that no entry is left out and none is reviewed twice. What is shown was judged from entry
 * 0 on, so that a review also says whether what was reviewed before is still what it was.
 */
export class TrailReviewService {
  constructor(private readonly parts: TrailReviewParts) {}

  async list(): Promise<TrailReviewList> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const reviews = await trailReviews(db, site);
    const head = await trailHead(db, site);
    const sealed = Number(head?.size ?? 0);
    const due = dueRange(reviews.at(-1) ?? null, sealed, Number(head?.checkpoint_size ?? 0));
    const faults = faultsOfSeries(reviews, await reviewSignatures(db, site));
    return { due, sealed, faults, reviews: [...reviews].reverse() };
  }

  /**
   * What would be signed of the range that is due, or of one that ends earlier or later.
   *
   * @returns null when `last` is no entry of such a range, or nothing is due
   */
  async show(last: number | null): Promise<TrailReviewView | null> {
    const prepared = await this.#prepare(last);
    return prepared === null ? null : { shown: prepared.shown, sha256: prepared.sha256 };
  }

  /** Which components the next signature of a person takes, for a form to ask for. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async sign(request: TrailReviewRequest, who: SigningRequest): Promise<TrailReviewAnswer> {
    const { signing, database } = this.parts;
    const prepared = await this.#prepare(request.last);
    if (prepared === null) return { kind: 'unknown' };
    const intent = { meaning: 'reviewed', subject: prepared.shown.subject } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const decided = await database.transact((trx) => this.#sign(trx, proof, request, prepared));
    if (decided.kind === 'refused') {
      const actor = { kind: 'person', name: proof.signer.accountId, source: who.source } as const;
      await signing.recordRefusal({ actor }, intent, decided);
    }
    return decided;
  }

  async #sign(
    trx: Trx,
    proof: Proof,
    request: TrailReviewRequest,
    prepared: Prepared,
  ): Promise<Extract<TrailReviewAnswer, { kind: 'signed' | 'refused' }>> {
    const { site } = this.parts.site;
    const { range, shown, text } = prepared;
    await lockNamedIds(trx, site, [TRAIL_REVIEW]);
    const latest = (await trailReviews(trx, site)).at(-1);
    if ((latest?.last ?? -1) + 1 !== range.first) {
      return refused('signature-stale', `entries up to ${latest?.last} were reviewed meanwhile`);
    }
    const now = this.parts.clock.now();
    const act: SignedAct = {
      subject: shown.subject,
      shown: text,
      namedSha256: request.shownSha256,
      meaning: 'reviewed',
      reason: request.findings,
      right: 'trail.review',
      duty: null,
      recordFrom: prepared.sealedAt,
      now,
    };
    const { root } = shown.record;
    const signed = await this.parts.signing.sign(trx, proof, act, {
      action: 'trail.reviewed',
      after: { ...range, root, faults: shown.record.verification.faultCount },
    });
    if (signed.kind === 'refused') return signed;
    const { signature } = signed;
    await insertTrailReview(trx, {
      id: uuidv7(),
      site,
      ...range,
      root,
      findings: request.findings,
      reviewer: signature.accountId,
      at: now,
      document: text.text,
      digest: text.sha256,
      signature: signature.id,
    });
    return { ...signed, range };
  }

  async #prepare(last: number | null): Promise<Prepared | null> {
    const { due, sealed, faults, reviews } = await this.list();
    if (due === null) return null;
    const range = { first: due.first, last: last ?? due.last };
    if (range.last < range.first || range.last >= sealed) return null;
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const earlier = [...reviews].reverse();
    const reading = new RangeReading(site, range, earlier, this.parts.comparing());
    await readSealed(db, site, range.last, reading);
    const { tally } = reading;
    const record = reviewedTrail({
      site,
      range,
      tally,
      report: reading.report(),
      earlier,
      seriesFaults: faults,
      userNames: await userNamesOf(
        db,
        tally.people.map((p) => p.name),
      ),
    });
    const subject: SignatureSubject = {
      kind: TRAIL_REVIEW,
      id: reviewSubjectId(range),
      revision: 1,
    };
    const text = bindShown({ subject, record: reviewRecord(record), context: null });
    const shown = { subject, record, context: null } as unknown as TrailReviewView['shown'];
    const sealedAt = tally.sealedUpTo === null ? null : parseTimestamp(tally.sealedUpTo);
    return {
      range,
      shown,
      text,
      sha256: text.sha256,
      sealedAt: sealedAt?.instant ?? null,
    };
  }
}

/** Judges a trail, counts one range of it, and lets other requests in between pages. */
class RangeReading implements TrailReading {
  readonly tally: RangeTally;
  readonly #judging: Judging;
  readonly #ends: ReadonlySet<number>;

  constructor(
    site: string,
    range: ReviewRange,
    earlier: readonly EarlierReview[],
    comparing: Comparing,
  ) {
    this.tally = new RangeTally(range);
    this.#judging = new Judging(site, comparing, range.last);
    this.#ends = new Set(earlier.map((review) => review.last + 1));
  }

  entry(sealed: SealedEntry): void {
    this.#judging.entry(sealed);
    this.tally.entry(sealed);
    const { place } = this.#judging;
    if (this.#ends.has(place)) this.tally.root(place, this.#judging.root);
  }

  checkpoint(signed: SignedCheckpoint): void {
    this.#judging.checkpoint(signed);
  }

  unreadable(text: string): void {
    this.#judging.unreadable(text);
  }

  unsealed(): void {
    // A review is of what is sealed.
  }

  pause(): Promise<void> {
    return new Promise((resolve) => setImmediate(resolve));
  }

  report() {
    return this.#judging.report(null);
  }
}
