import {
  type CheckedLabels,
  checkLabels,
  type SeenLabels,
  storeVerification,
} from '../receipts/label-verification.service.js';
import {
  isVerified,
  resultToVerify,
  rowOfResult,
  type VerifiedResult,
} from '../receipts/label-verification.store.js';
import type { ResultRecord } from '../records/result-record.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';

export interface LabelReviewParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly signing: SigningService;
  /** After a comparison was committed: a receipt is due. */
  readonly onVerified: () => void;
}

export interface LabelReviewRequest {
  /** SHA-256 of the document the signer was shown. */
  readonly shownSha256: string;
  readonly seen: SeenLabels;
  readonly reason: string;
}

export type LabelReviewAnswer =
  | { readonly kind: 'signed'; readonly signature: Signature }
  | { readonly kind: 'unknown' }
  | { readonly kind: 'not-proven'; readonly why: string }
  | Refused;

export type LabelReviewView = NonNullable<Awaited<ReturnType<LabelReviewService['show']>>>;

/**
 * A second person compares labels that were typed, chosen or carried over with the container itself, and signs it (rule
 * 2). The signer did not take the measurement, and writes down what the labels show.
 */
export class LabelReviewService {
  constructor(private readonly parts: LabelReviewParts) {}

  /** What would be signed, with its digest, by row id or result id; null when there is no such result. */
  async show(named: string) {
    const { database, site } = this.parts;
    const result = await this.#find(named);
    if (!result) return null;
    const { sha256 } = shownOf(result);
    return {
      ...recordOf(result),
      rowId: result.id,
      receiptId: result.receipt_id,
      containerLabel: result.container_label,
      isCompared: await isVerified(database.db, site.site, result.id),
      sha256,
    };
  }

  async #find(named: string): Promise<VerifiedResult | undefined> {
    const { database, site } = this.parts;
    const rowId = await rowOfResult(database.db, site.site, named);
    return rowId === undefined ? undefined : resultToVerify(database.db, site.site, rowId);
  }

  async verify(
    named: string,
    request: LabelReviewRequest,
    who: SigningRequest,
  ): Promise<LabelReviewAnswer> {
    const { database, signing } = this.parts;
    const result = await this.#find(named);
    if (!result) return { kind: 'unknown' };
    const intent = { meaning: 'reviewed', subject: subjectOf(result) } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const decided = await database.transact((trx) => this.#verify(trx, result.id, request, proof));
    if (decided.kind === 'refused') {
      const actor = { kind: 'person', name: proof.signer.accountId, source: who.source } as const;
      await signing.recordRefusal({ actor }, intent, decided);
    } else this.parts.onVerified();
    return decided;
  }

  async #verify(
    trx: Trx,
    rowId: string,
    { shownSha256, seen, reason }: LabelReviewRequest,
    proof: Proof,
  ): Promise<Extract<LabelReviewAnswer, { kind: 'signed' | 'refused' }>> {
    const { site } = this.parts.site;
    const checked: CheckedLabels = await checkLabels(trx, site, rowId, seen);
    if (!checked.ok) return refused('act-not-possible', checked.detail);
    if (await isVerified(trx, site, rowId)) {
      return refused('act-not-possible', 'its labels were compared before');
    }
    const { result } = checked.value;
    const now = this.parts.clock.now();
    const signed = await this.parts.signing.sign(
      trx,
      proof,
      {
        subject: subjectOf(result),
        shown: shownOf(result),
        namedSha256: shownSha256,
        meaning: 'reviewed',
        reason,
        right: 'result.review',
        duty: { kind: 'judge-result', right: 'result.review', operatorIds: [result.operator_id] },
        recordFrom: null,
        now,
      },
      {
        action: 'result.labels-compared',
        before: { comparedBy: null },
        after: { comparedBy: proof.signer.accountId, seen },
      },
    );
    if (signed.kind === 'refused') return signed;
    const act = { seen, verifiedBy: proof.signer.accountId, signatureId: signed.signature.id, now };
    if (await storeVerification(trx, site, checked.value, act)) return signed;
    throw new Error(`the labels of ${rowId} were compared by another transaction`);
  }
}

/** A subject of its own: what is signed is the comparison, not the result. */
function subjectOf(result: VerifiedResult): SignatureSubject {
  return { kind: 'labels', id: result.id, revision: result.revision };
}

/** What was reported and never changes; the container may be printed anew. */
function recordOf(result: VerifiedResult) {
  const record = result.record === null ? null : (JSON.parse(result.record) as ResultRecord);
  return {
    resultId: result.result_id,
    operatorId: result.operator_id,
    receipt: { text: result.receipt_scanned, entry: record?.receipt?.entry ?? null },
    container: { text: result.container_scanned, entry: record?.container?.entry ?? null },
  };
}

function shownOf(result: VerifiedResult) {
  return bindShown({ subject: { ...subjectOf(result) }, record: recordOf(result), context: null });
}
