import type { Duty } from '../access/duties.js';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import { requireFolderInForce } from '../methods/method-registry.store.js';
import { shareSiteEvidence } from '../receipts/facts.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { holdingCodes } from '../reconciliation/held-by.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Components, Meaning, Signature } from '../signatures/signature.js';
import { signaturesByIds, signaturesOf, signingEntries } from '../signatures/signatures.store.js';
import type { Proof, SignedAct, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import { type BrokenSignature, verifySignatures } from '../signatures/verify-signatures.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { ReviewCase } from '../statements/result-review.js';
import {
  type ReviewAct,
  reviewDocument,
  reviewOptions,
  takenByClearing,
} from '../statements/result-review.js';
import type { ReviewAnswer } from '../statements/review-answer.js';
import type { ReviewRequest } from '../statements/review-request.js';
import {
  type ReviewList,
  type ReviewView,
  reviewView,
  type WaitingReview,
} from '../statements/review-view.js';
import { reviewedSubject } from '../statements/reviewed-record.js';
import { loadReviews } from '../statements/reviews.store.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { lockNamedIds } from './named-ids.store.js';
import type { ResultMessages } from './result-messages.service.js';
import {
  isAnyUnowned,
  loadReviewCase,
  operatorsBehind,
  receiptsOfResultIds,
  resultsToReview,
  setReviewed,
  type WaitingResult,
} from './review.store.js';
import { closeDecidedOverlaps } from './review-discrepancies.store.js';

/** Rows read at once while a list is filled. */
const LIST_CHUNK = 500;

const MEANINGS: Readonly<Record<ReviewAct, Meaning>> = { clear: 'cleared', refuse: 'refused' };

export interface ReviewParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly messages: ResultMessages;
  readonly signing: SigningService;
  /** After a review was committed: deliveries and receipts may be due. */
  readonly onReviewed: () => void;
}

/**
 * Clears and refuses results, signed (release-safety rules 8, 9, 12 and 15). What changes is one transaction:
 * the state, the signature, the trail, what destinations are owed, and every statement it bears on.
 */
export class ReviewService {
  constructor(private readonly parts: ReviewParts) {}

  /** What a reviewer is shown of a result as it is now; null when there is none. */
  load(rowId: string): Promise<ReviewCase | null> {
    const { database, site, messages } = this.parts;
    return loadReviewCase(database.db, site.site, rowId, messages.destinations());
  }

  /** One result with everything a reviewer looks at; null when there is none. */
  async show(rowId: string): Promise<ReviewView | null> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const about = await this.load(rowId);
    if (about === null) return null;
    const { result } = about.parts;
    const own = await signaturesOf(db, site, { kind: 'result', id: rowId });
    const byOther = own.some((s) => s.id === result.review_signature_id)
      ? []
      : await signaturesByIds(db, site, [result.review_signature_id ?? '']);
    const broken: BrokenSignature[] = [];
    for (const signature of [...own, ...byOther]) {
      const entries = await signingEntries(db, site, signature.subject);
      const ofThis = entries.filter((e) => e.signatureId === signature.id);
      broken.push(...verifySignatures([signature], ofThis));
    }
    return reviewView(about, [...own, ...byOther], broken);
  }

  /** Which components the next signature of a person takes, for a form to ask for. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  /** Results that wait for a reviewer, oldest first, behind `after`. */
  async list(after: string, limit: number): Promise<ReviewList> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const waiting: WaitingReview[] = [];
    let from = after;
    // Reviewed results are looked at too, since a void signature makes one wait again.
    for (;;) {
      const rows = await resultsToReview(db, site, from, LIST_CHUNK);
      const reviews = await loadReviews(db, site, rows);
      const held = rows.map((r) => ({ rowId: r.id, state: r.state }));
      const codes = await holdingCodes(db, held);
      for (const row of rows) {
        from = row.id;
        const isVoid = row.state !== 'held' && reviews.get(row.id)?.validity.kind !== 'valid';
        if (row.state !== 'held' && !isVoid) continue;
        waiting.push(waitingReview(row, isVoid ? ['signature-void'] : (codes.get(row.id) ?? [])));
        if (waiting.length === limit) return { waiting, next: row.id };
      }
      if (rows.length < LIST_CHUNK) return { waiting, next: null };
    }
  }

  async decide(rowId: string, request: ReviewRequest, who: SigningRequest): Promise<ReviewAnswer> {
    const { signing } = this.parts;
    const before = await this.load(rowId);
    if (before === null) return { kind: 'unknown' };
    const intent = {
      meaning: MEANINGS[request.act],
      subject: reviewedSubject(before.parts.result),
    };
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const decided = await transactLocking(this.parts.database, this.parts.site.site, (trx, locks) =>
      this.#decide(trx, locks, { rowId, request, proof, before }),
    );
    if (decided.kind === 'refused') {
      const actor = personActor(proof.signer.accountId, who.source);
      await signing.recordRefusal({ actor }, intent, decided);
    } else this.parts.onReviewed();
    return decided;
  }

  async #decide(
    trx: Trx,
    locks: ReceiptLocks,
    asked: {
      readonly rowId: string;
      readonly request: ReviewRequest;
      readonly proof: Proof;
      readonly before: ReviewCase;
    },
  ): Promise<Refused | Extract<ReviewAnswer, { kind: 'signed' }>> {
    const { request, proof } = asked;
    const { site } = this.parts.site;
    const touched = await this.#lock(trx, locks, asked.before);
    const about = await loadReviewCase(trx, site, asked.rowId, this.parts.messages.destinations());
    if (about === null) throw new Error(`result ${asked.rowId} is gone`);
    const now = this.parts.clock.now();
    const act = await this.#actOf(trx, about, request, now);
    // Whatever may not be signed is said first; whether the act is open is part of what was shown.
    const fault = await this.parts.signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    const option = reviewOptions(about)[request.act];
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    await shareSiteEvidence(trx, site);
    // A result without a receipt is sent, or withdrawn, with no evaluation that would ask.
    await requireFolderInForce(trx, this.parts.site);
    const state = request.act === 'clear' ? 'accepted' : 'refused';
    const { result } = about.parts;
    const signed = await this.parts.signing.sign(trx, proof, act, {
      action: `result.${MEANINGS[request.act]}`,
      before: { state: result.state, review: result.review_signature_id },
      after: { state, effects: option.effects },
    });
    if (signed.kind === 'refused') return signed;
    await this.#apply(trx, about, { state, signature: signed.signature, now });
    for (const id of [...touched].sort()) {
      await this.parts.statements.evaluateInTransaction(trx, id, now);
    }
    return { kind: 'signed', signature: signed.signature, state };
  }

  /**
   * Every result under the ids this review bears on, then their receipts in order. An announcement may give a
   * result its owner while its lock is waited for, so receipts are looked up again behind it.
   */
  async #lock(trx: Trx, locks: ReceiptLocks, before: ReviewCase): Promise<ReadonlySet<string>> {
    const { site } = this.parts.site;
    const { result } = before.parts;
    const ids = [result.result_id, ...(result.supersedes === null ? [] : [result.supersedes])];
    await lockNamedIds(
      trx,
      site,
      ids.map((id) => `result:${id}`),
    );
    const touched = new Set(await receiptsOfResultIds(trx, site, ids));
    await locks.add(touched);
    for (const id of await receiptsOfResultIds(trx, site, ids)) touched.add(id);
    await locks.add(touched);
    if (!(await isAnyUnowned(trx, site, ids))) return touched;
    // One of no receipt has no lock: who announces its receipt gives it away behind a share of the site's evidence.
    await locks.evidence();
    for (const id of await receiptsOfResultIds(trx, site, ids)) touched.add(id);
    await locks.add(touched);
    return touched;
  }

  async #actOf(
    trx: Trx,
    about: ReviewCase,
    request: ReviewRequest,
    now: Instant,
  ): Promise<SignedAct> {
    const { result } = about.parts;
    const { site } = this.parts.site;
    const operatorIds = await operatorsBehind(trx, site, result);
    // One signature decides about those as well, and whoever measured one would refuse or take back their own.
    const others = request.act === 'clear' ? takenByClearing(about) : [];
    for (const { operator, receiptId } of others) {
      const row = { operator_id: operator, receipt_id: receiptId };
      operatorIds.push(...(await operatorsBehind(trx, site, row)));
    }
    const duty: Duty = { kind: 'judge-result', right: 'result.review', operatorIds };
    return {
      subject: reviewedSubject(result),
      shown: bindShown(reviewDocument(about)),
      namedSha256: request.shownSha256,
      meaning: MEANINGS[request.act],
      reason: request.reason,
      right: 'result.review',
      duty,
      recordFrom: about.parts.bundle.settled_at,
      now,
    };
  }

  async #apply(
    trx: Trx,
    about: ReviewCase,
    done: {
      readonly state: 'accepted' | 'refused';
      readonly signature: Signature;
      readonly now: Instant;
    },
  ): Promise<void> {
    const { result } = about.parts;
    const { state, signature, now } = done;
    if (!(await setReviewed(trx, result, { state, signatureId: signature.id }))) {
      throw new Error(`result ${result.id} changed behind its lock`);
    }
    if (state === 'refused') await this.#takeBack(trx, about, signature, now);
    else await this.#stand(trx, about, signature, now);
    await closeDecidedOverlaps(trx, this.parts.site.site, result, {
      evidence: `signature:${signature.id}`,
      now,
      zone: signature.zone,
    });
  }

  /** Refused: what was sent of it is withdrawn. */
  async #takeBack(trx: Trx, about: ReviewCase, signature: Signature, now: Instant): Promise<void> {
    if (about.parts.result.state !== 'accepted') return;
    const reason = `refused by ${signature.printedName}: ${signature.reason}`;
    await this.parts.messages.takeBackDeliveries(trx, about.parts.result, reason, now);
  }

  /** Cleared: it is sent, the others that claim its id are refused with it, and its own supersession counts. */
  async #stand(trx: Trx, about: ReviewCase, signature: Signature, now: Instant): Promise<void> {
    const { result } = about.parts;
    const { messages } = this.parts;
    for (const other of about.sameId.filter((o) => o.state === 'held')) {
      const refusal = { state: 'refused', signatureId: signature.id } as const;
      if (!(await setReviewed(trx, { id: other.rowId, state: 'held' }, refusal))) continue;
      await recordAudit(trx, {
        site: signature.site,
        zone: signature.zone,
        at: now,
        actor: personActor(signature.accountId, signature.source),
        action: 'result.refused',
        subjectKind: 'result',
        subjectId: other.rowId,
        reason: signature.reason,
        before: { state: 'held' },
        after: { state: 'refused', stands: result.id, signedAs: signature.id },
      });
    }
    if (result.supersedes !== null) {
      await messages.takeBackSupersededBy(trx, result, [result.supersedes], now);
    }
    const reason = `cleared by ${signature.printedName}: ${signature.reason}`;
    await messages.sendAlone(trx, result, reason, now);
  }
}

function personActor(accountId: string, source: string | null): Actor {
  return { kind: 'person', name: accountId, ...(source === null ? {} : { source }) };
}

function waitingReview(row: WaitingResult, heldBy: readonly string[]): WaitingReview {
  return {
    rowId: row.id,
    resultId: row.result_id,
    receiptId: row.receipt_id,
    receiptScanned: row.receipt_scanned,
    container: row.container_label ?? row.container_scanned,
    decision: row.decision,
    contrary: row.contrary === 1,
    operator: row.operator_id,
    measuredAt: row.measured_at === null ? null : formatInstant(row.measured_at),
    heldBy,
  };
}
