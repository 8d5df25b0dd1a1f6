import { uuidv7 } from 'uuidv7';
import type { Duty } from '../access/duties.js';
import { containerKey } from '../receipts/label.js';
import { operatorsOf, receiptsComingOf } from '../receipts/lineage.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { containersOf, findReceipts } from '../receipts/receipts.store.js';
import { insertRejection, rejectionSubject } from '../receipts/rejections.store.js';
import { openDiscrepancy } from '../reconciliation/discrepancies.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Components } from '../signatures/signature.js';
import { signaturesOf, signingEntries } from '../signatures/signatures.store.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import { verifySignatures } from '../signatures/verify-signatures.js';
import type { SiteFolder } from '../site/site-folder.js';
import {
  type RejectionCase,
  rejectionDocument,
  rejectionOption,
  rejectionSignatureSubject,
} from '../statements/container-rejection.js';
import type {
  RejectionAnswer,
  RejectionRequest,
  RejectionView,
} from '../statements/container-rejection-view.js';
import { loadRejections } from '../statements/rejection-facts.store.js';
import { signaturesShown } from '../statements/review-view.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';

export interface ContainerRejectionParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly signing: SigningService;
  /** After it was committed: stops may be due. */
  readonly onSigned: () => void;
}

/**
 * A container is rejected by signature (release-safety rule 16). Its receipt does not conform from then on, until a key
 * of ERP says that the container was split off: nobody here does that part.
 */
export class ContainerRejectionService {
  constructor(private readonly parts: ContainerRejectionParts) {}

  /** A container with what rejecting it would sign; null when nobody announced the receipt or container. */
  async show(receiptId: string, container: string): Promise<RejectionView | null> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const about = await loadCase(db, site, receiptId, container);
    if (about === null) return null;
    const shown = rejectionDocument(about);
    const subject = rejectionSignatureSubject(receiptId, containerKey(about.label));
    const signatures = await signaturesOf(db, site, subject);
    const broken = verifySignatures(signatures, await signingEntries(db, site, subject));
    return {
      receiptId,
      container: about.label,
      splitOffTo: about.splitOffTo,
      results: about.results,
      reject: rejectionOption(about),
      shown,
      sha256: bindShown(shown).sha256,
      signatures: signaturesShown(signatures, shown, broken),
    };
  }

  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async reject(
    receiptId: string,
    request: RejectionRequest,
    who: SigningRequest,
  ): Promise<RejectionAnswer> {
    const { database, site, signing } = this.parts;
    const before = await loadCase(database.db, site.site, receiptId, request.container);
    if (before === null) return { kind: 'unknown' };
    const subject = rejectionSignatureSubject(receiptId, containerKey(before.label));
    const intent = { meaning: 'rejected', subject } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const done = await transactLocking(database, site.site, (trx, locks) =>
      this.#reject(trx, locks, receiptId, request, proof),
    );
    if (done.kind === 'refused') {
      const actor = {
        kind: 'person',
        name: proof.signer.accountId,
        ...(who.source === null ? {} : { source: who.source }),
      } as const;
      await signing.recordRefusal({ actor }, intent, done);
    } else this.parts.onSigned();
    return done;
  }

  async #reject(
    trx: Trx,
    locks: ReceiptLocks,
    receiptId: string,
    request: RejectionRequest,
    proof: Proof,
  ): Promise<Refused | Extract<RejectionAnswer, { kind: 'signed' }>> {
    const { signing, statements, clock } = this.parts;
    const { site, timeZone } = this.parts.site;
    // Whatever receipt it is in by now (rule 16).
    const coming = await locks.addFound([receiptId], (ids) => receiptsComingOf(trx, site, ids));
    const about = await loadCase(trx, site, receiptId, request.container);
    if (about === null) return refused('act-not-possible', 'the receipt lists no such container');
    const { label } = about;
    const now = clock.now();
    const operatorIds = await operatorsOf(trx, site, [receiptId]);
    const duty: Duty = { kind: 'judge-result', right: 'result.review', operatorIds };
    const act = {
      subject: rejectionSignatureSubject(receiptId, containerKey(label)),
      shown: bindShown(rejectionDocument(about)),
      namedSha256: request.shownSha256,
      meaning: 'rejected',
      reason: `${request.reason} (investigation ${request.investigation})`,
      right: 'receipt.manage',
      duty,
      recordFrom: null,
      now,
    } as const;
    const fault = await signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    const option = rejectionOption(about);
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    const signed = await signing.sign(trx, proof, act, {
      action: 'container.rejected',
      after: { receiptId, container: label, investigation: request.investigation },
    });
    if (signed.kind === 'refused') return signed;
    await insertRejection(trx, {
      id: uuidv7(),
      site,
      receipt_id: receiptId,
      container_key: containerKey(label),
      container_label: label,
      reason: request.reason,
      investigation: request.investigation,
      signature_id: signed.signature.id,
      at: now,
      split_off_to: about.splitOffTo,
      split_off_at: about.splitOffTo === null ? null : now,
      split_off_by: about.splitOffTo === null ? null : 'as before',
    });
    if (about.splitOffTo === null) {
      const discrepancy = {
        site,
        class: 'rejected-container' as const,
        subject: rejectionSubject(receiptId, containerKey(label)),
        receiptId,
        containerLabel: label,
        destination: null,
        scope: null,
        detail: `container ${label} was rejected (investigation ${request.investigation})`,
        openedAt: now,
      };
      await openDiscrepancy(trx, discrepancy, timeZone);
    }
    for (const id of [...coming].sort()) {
      await statements.evaluateInTransaction(trx, id, now);
    }
    return signed;
  }
}

async function loadCase(
  reader: Reader,
  site: string,
  receiptId: string,
  container: string,
): Promise<RejectionCase | null> {
  const receipt = (await findReceipts(reader, site, [receiptId])).get(receiptId);
  if (receipt?.announced !== 1) return null;
  const key = containerKey(container);
  const listed = (await containersOf(reader, site, receiptId)).find((c) => c.normalised === key);
  const earlier = (await loadRejections(reader, receipt)).find(
    (r) => containerKey(r.container) === key,
  );
  const label = listed?.label ?? earlier?.container;
  if (label === undefined) return null;
  const rows = await reader
    .selectFrom('result')
    .select(['result_id', 'decision', 'state'])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .where('container_label', '=', label)
    .orderBy('id')
    .execute();
  return {
    receipt,
    label,
    isListed: listed !== undefined,
    rejected: earlier
      ? earlier.isValid
        ? { kind: 'valid' }
        : { kind: 'void', changed: [''] }
      : null,
    splitOffTo: earlier?.splitOffTo ?? null,
    results: rows.map((r) => `${r.result_id}: ${r.decision ?? 'unreadable'} (${r.state})`),
  };
}
