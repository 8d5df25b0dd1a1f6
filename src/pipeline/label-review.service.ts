import {
  type CheckedLabels,
  checkLabels,
  storeVerification,
} from '../receipts/label-verification.service.js';
import {
  comparisonOf,
  labelsOfReceipt,
  recordsOf,
  resultToVerify,
  rowOfResult,
} from '../receipts/label-verification.store.js';
import type { VerifiedResult } from '../receipts/verified-result.js';
import { refused } from '../signatures/judge-signing.js';
import {
  type Components,
  type SignatureManifest,
  signatureManifest,
} from '../signatures/signature.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { SiteFolder } from '../site/site-folder.js';
import { loadAttributions } from '../statements/attribution-facts.store.js';
import {
  type LabelReviewAnswer,
  type LabelReviewRequest,
  type LabelReviewView,
  type LabelsOfResult,
  labelReviewView,
  labelSubject,
  labelsEntered,
  shownLabels,
} from '../statements/label-review-view.js';
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

/** Results on a receipt's page. */
const SHOWN_MAX = 500;
const READ_AT_ONCE = 500;

/**
 * A second person compares labels that were typed, chosen or carried over with the container itself, and signs it (rule
 * 2). The signer did not take the measurement, and writes down what the labels show.
 */
export class LabelReviewService {
  constructor(private readonly parts: LabelReviewParts) {}

  /** What would be signed, with its digest, by row id or result id; null when there is no such result. */
  async show(named: string): Promise<LabelReviewView | null> {
    const result = await this.#find(named);
    if (!result) return null;
    return labelReviewView(result, await this.#comparison(result.id));
  }

  /**
   * Results that may cover a container of a receipt and whose labels were not both scanned, those that nobody compared
   * first. The labels of one that a signed act attributed were read for that act.
   */
  async ofReceipt(receiptId: string): Promise<LabelsOfResult[]> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const rows = await this.#unscanned(receiptId);
    const moved = rows.filter((row) => row.revision > 1).map((row) => row.id);
    const attributed = await loadAttributions(db, site, moved);
    const asked = rows.filter(({ id }) => attributed.get(id)?.isValid !== true);
    const shown = [
      ...asked.filter((row) => row.signature_id === null),
      ...asked.filter((row) => row.signature_id !== null),
    ].slice(0, SHOWN_MAX);
    const ids = shown.flatMap((row) => row.signature_id ?? []);
    const signatures = new Map((await signaturesByIds(db, site, ids)).map((s) => [s.id, s]));
    return shown.map((row) => {
      const signature = signatures.get(row.signature_id ?? '');
      return {
        rowId: row.id,
        resultId: row.result_id,
        container: row.container_label ?? '',
        receiptEntry: row.receiptEntry,
        containerEntry: row.containerEntry,
        comparedBy: signature === undefined ? null : signatureManifest(signature),
      };
    });
  }

  /** A receipt may have twenty thousand results, whose records are read a part at a time. */
  async #unscanned(receiptId: string) {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const rows = await labelsOfReceipt(db, site, receiptId);
    const found = [];
    for (let i = 0; i < rows.length; i += READ_AT_ONCE) {
      const part = rows.slice(i, i + READ_AT_ONCE);
      const ids = part.map((row) => row.id);
      const records = await recordsOf(db, site, ids);
      for (const row of part) {
        const entered = labelsEntered(records.get(row.id) ?? null);
        if (!isScanned(entered)) found.push({ ...row, ...entered });
      }
    }
    return found;
  }

  /** Which components the next signature of a person takes, for a form to ask for. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  /** Signature of who compared the labels of a result; null while nobody has. */
  async #comparison(rowId: string): Promise<SignatureManifest | null> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const id = await comparisonOf(db, site, rowId);
    if (id === null) return null;
    const [signature] = await signaturesByIds(db, site, [id]);
    if (!signature) throw new Error(`signature ${id} of the labels of ${rowId} is gone`);
    return signatureManifest(signature);
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
    const intent = { meaning: 'reviewed', subject: labelSubject(result) } as const;
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
    if ((await comparisonOf(trx, site, rowId)) !== null) {
      return refused('act-not-possible', 'its labels were compared before');
    }
    const { result } = checked.value;
    const now = this.parts.clock.now();
    const signed = await this.parts.signing.sign(
      trx,
      proof,
      {
        subject: labelSubject(result),
        shown: shownLabels(result),
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

function isScanned(of: Pick<LabelsOfResult, 'receiptEntry' | 'containerEntry'>): boolean {
  return of.receiptEntry === 'scanned' && of.containerEntry === 'scanned';
}
