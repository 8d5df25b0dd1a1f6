import { lockReceipts, markEvaluationDue } from '../receipts/facts.store.js';
import { operatorsOf, signLinks } from '../receipts/lineage.store.js';
import { findReceipts } from '../receipts/receipts.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { SiteFolder } from '../site/site-folder.js';
import { loadOrigins } from '../statements/lineage-facts.store.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';

export interface OriginReviewParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly signing: SigningService;
  /** After it was committed: a receipt is due. */
  readonly onSigned: () => void;
}

export type OriginReviewAnswer =
  | { readonly kind: 'signed'; readonly signature: Signature }
  | { readonly kind: 'unknown' }
  | { readonly kind: 'not-proven'; readonly why: string }
  | Refused;

/**
 * The signed act that answers for a receipt whose containers came of one in doubt: a rejected drum was split off, a
 * container was repacked (rules 16 and 19). It covers what stood at the source when they went, and nothing that
 * came since; a merge it cannot answer for.
 */
export class OriginReviewService {
  constructor(private readonly parts: OriginReviewParts) {}

  /** What would be signed, with its digest; null when nobody announced the receipt. */
  async show(receiptId: string) {
    const { database, site } = this.parts;
    const found = await originsOf(database.db, site.site, receiptId);
    return found && { receiptId, ...found.record, sha256: found.shown.sha256 };
  }

  async sign(
    receiptId: string,
    request: { readonly shownSha256: string; readonly reason: string },
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
    { shownSha256, reason }: { readonly shownSha256: string; readonly reason: string },
    proof: Proof,
  ): Promise<Extract<OriginReviewAnswer, { kind: 'signed' | 'refused' }>> {
    const { site } = this.parts.site;
    await lockReceipts(trx, site, [receiptId]);
    const found = await originsOf(trx, site, receiptId);
    if (found === null) throw new Error(`receipt ${receiptId} is gone`);
    const open = found.record.origins.filter((o) => !o.isSigned && o.kind !== 'merged');
    if (open.length === 0) {
      return refused('act-not-possible', 'nothing it came from waits for a signed act');
    }
    const operatorIds = await operatorsOf(trx, site, [receiptId, ...found.places]);
    const now = this.parts.clock.now();
    const signed = await this.parts.signing.sign(
      trx,
      proof,
      {
        subject: found.subject,
        shown: found.shown,
        namedSha256: shownSha256,
        meaning: 'approved',
        reason,
        right: 'receipt.manage',
        duty: { kind: 'judge-result', right: 'result.review', operatorIds },
        recordFrom: null,
        now,
      },
      {
        action: 'receipt.origin-approved',
        before: { signed: false },
        after: { origins: open.map((o) => o.receiptId) },
      },
    );
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
  const origins = loaded.map(({ link, origin }) => ({
    receiptId: origin.receiptId,
    kind: origin.kind,
    reason: link.reason,
    outcome: origin.outcome,
    hadStop: origin.hadStop,
    refused: origin.refused,
    disagreed: origin.disagreed,
    contraryThen: link.known_contrary,
    contraryNow: origin.left.contrary,
    rejected: origin.rejected.map(({ receiptId: at, container }) => ({ receiptId: at, container })),
    isSigned: origin.isSigned,
  }));
  const subject: SignatureSubject = { kind: 'origin', id: receiptId, revision: row.revision };
  const record = { revision: row.revision, origins };
  const shown = bindShown({ subject: { ...subject }, record, context: null });
  return { subject, record, shown, places: loaded.flatMap(({ places }) => places) };
}
