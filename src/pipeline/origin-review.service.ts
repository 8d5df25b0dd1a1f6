import type { Duty } from '../access/duties.js';
import { lockReceipts, markEvaluationDue } from '../receipts/facts.store.js';
import {
  operatorsOf,
  operatorsOfResults,
  receiptsGoingOn,
  signLinks,
} from '../receipts/lineage.store.js';
import { findReceipts } from '../receipts/receipts.store.js';
import { refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Components, SignatureSubject } from '../signatures/signature.js';
import { signaturesOf, signingEntries } from '../signatures/signatures.store.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import { verifySignatures } from '../signatures/verify-signatures.js';
import type { SiteFolder } from '../site/site-folder.js';
import { loadOrigins } from '../statements/lineage-facts.store.js';
import {
  answeredBy,
  isOpen,
  type OriginReviewAnswer,
  type OriginReviewRequest,
  type OriginView,
  originDocument,
  originOption,
  originRecord,
  type ShownOrigin,
} from '../statements/origin-view.js';
import { signaturesShown } from '../statements/review-view.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import { ownAnnouncement } from './own-announcement.store.js';

export interface OriginReviewParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly signing: SigningService;
  /** After it was committed: a receipt is due. */
  readonly onSigned: () => void;
}

/**
 * The signed act that answers for a receipt whose containers came of one in doubt: a rejected drum was split off, a
 * container was repacked (rules 16 and 19). It covers what its signer was shown of the source, and nothing that comes
 * later, for which somebody may sign again; a merge it cannot answer for.
 */
export class OriginReviewService {
  constructor(private readonly parts: OriginReviewParts) {}

  /** What would be signed, with its digest; null when nobody announced the receipt. */
  async show(receiptId: string): Promise<OriginView | null> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const found = await originsOf(db, site, receiptId);
    if (found === null) return null;
    const signatures = await signaturesOf(db, site, found.subject);
    const entries = await signingEntries(db, site, found.subject);
    const broken = verifySignatures(signatures, entries);
    return {
      receiptId,
      origins: found.origins,
      sign: originOption(found.origins),
      shown: found.document,
      sha256: found.shown.sha256,
      signatures: signatures.flatMap((signature) => {
        const answered = answeredBy(signature.shown, found.origins);
        return signaturesShown([signature], originRecord(signature.subject, answered), broken);
      }),
    };
  }

  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async sign(
    receiptId: string,
    request: OriginReviewRequest,
    who: SigningRequest,
  ): Promise<OriginReviewAnswer> {
    const { database, site, signing } = this.parts;
    const found = await originsOf(database.db, site.site, receiptId);
    if (found === null) return { kind: 'unknown' };
    const intent = { meaning: 'approved', subject: found.subject } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const decided = await database.transact((trx) => this.#sign(trx, receiptId, request, proof));
    if (decided.kind === 'refused') {
      const actor = { kind: 'person', name: proof.signer.accountId, source: who.source } as const;
      await signing.recordRefusal({ actor }, intent, decided);
    } else this.parts.onSigned();
    return decided;
  }

  async #sign(
    trx: Trx,
    receiptId: string,
    { shownSha256, reason }: OriginReviewRequest,
    proof: Proof,
  ): Promise<Extract<OriginReviewAnswer, { kind: 'signed' | 'refused' }>> {
    const { site } = this.parts.site;
    await lockReceipts(trx, site, [receiptId]);
    const found = await originsOf(trx, site, receiptId);
    if (found === null) throw new Error(`receipt ${receiptId} is gone`);
    const option = originOption(found.origins);
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    const open = found.origins.filter(isOpen);
    // A split took what was measured under a source along, to other parts as well.
    const parts: string[] = [];
    for (const { receiptId: source } of found.origins) {
      parts.push(...(await receiptsGoingOn(trx, site, source)));
    }
    // What speaks against the same drums may have been measured under receipts that nobody named.
    const operatorIds = [
      ...(await operatorsOf(trx, site, [receiptId, ...found.places, ...parts])),
      ...(await operatorsOfResults(
        trx,
        open.flatMap(({ against }) => against),
      )),
    ];
    const now = this.parts.clock.now();
    const duty: Duty = { kind: 'judge-result', right: 'result.review', operatorIds };
    const act = {
      subject: found.subject,
      shown: found.shown,
      namedSha256: shownSha256,
      meaning: 'approved',
      reason,
      right: 'receipt.manage',
      duty,
      recordFrom: null,
      now,
    } as const;
    const fault = await this.parts.signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    // What it came of is what they announced, and a site may do without the second person who would look again.
    const { accountId } = proof.signer;
    const own = await ownAnnouncement(trx, { site, receiptId }, accountId, 'answer for its origin');
    if (own !== null) return own;
    const signed = await this.parts.signing.sign(trx, proof, act, {
      action: 'receipt.origin-approved',
      before: { signed: false },
      after: { origins: open.map((o) => o.receiptId) },
    });
    if (signed.kind === 'refused') return signed;
    await signLinks(trx, site, receiptId, signed.signature.id);
    // It can only improve the statement.
    await markEvaluationDue(trx, site, [receiptId]);
    return signed;
  }
}

async function originsOf(reader: Reader, site: string, receiptId: string) {
  const row = (await findReceipts(reader, site, [receiptId])).get(receiptId);
  if (row?.announced !== 1) return null;
  const loaded = await loadOrigins(reader, site, receiptId);
  const origins: ShownOrigin[] = loaded.map(({ link, origin, against, refusals }) => ({
    receiptId: origin.receiptId,
    kind: origin.kind,
    reason: link.reason,
    outcome: origin.outcome,
    hadStop: origin.hadStop,
    refused: origin.refused,
    disagreed: origin.disagreed,
    hadContrary: origin.hadContrary ?? false,
    contraryThen: link.known_contrary,
    against,
    rejected: origin.rejected.map(({ id, receiptId: at, container }) => ({
      id,
      receiptId: at,
      container,
    })),
    refusals,
    signatureId: link.signature_id,
    hasNews:
      origin.contrarySince > 0 ||
      origin.refusedSince ||
      origin.rejected.some((rejection) => rejection.isSince),
  }));
  const subject: SignatureSubject = { kind: 'origin', id: receiptId, revision: row.revision };
  const document = originDocument(subject, origins);
  const places = loaded.flatMap((one) => one.places);
  return { subject, origins, places, document, shown: bindShown(document) };
}
