import type { Duty } from '../access/duties.js';
import { shareSiteEvidence } from '../receipts/facts.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Components } from '../signatures/signature.js';
import { signaturesOf, signingEntries } from '../signatures/signatures.store.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import { verifySignatures } from '../signatures/verify-signatures.js';
import type { SiteFolder } from '../site/site-folder.js';
import {
  causeDocument,
  causeOption,
  causeSubject,
  causeValidity,
} from '../statements/assigned-cause.js';
import type { CauseAnswer, CauseRequest, CauseView } from '../statements/cause-view.js';
import { loadCauseCase } from '../statements/causes.store.js';
import { brokenWords, shownSignature } from '../statements/review-view.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { operatorsBehind } from './review.store.js';

export interface AssignedCauseParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly signing: SigningService;
  /** After a cause was committed: deliveries may be due. */
  readonly onSigned: () => void;
}

interface Asked {
  readonly rowId: string;
  readonly receiptId: string | null;
  readonly request: CauseRequest;
  readonly proof: Proof;
}

/**
 * The assignable cause of a contrary result, signed by somebody who measured nothing on its receipt, under an
 * investigation (release-safety rule 12): the only way in which it stops contradicting. It stays visible.
 */
export class AssignedCauseService {
  constructor(private readonly parts: AssignedCauseParts) {}

  async show(rowId: string): Promise<CauseView | null> {
    const { database, site } = this.parts;
    const about = await loadCauseCase(database.db, site.site, rowId);
    if (about === null) return null;
    const { result } = about.parts;
    const shown = causeDocument(about);
    const signatures = await signaturesOf(database.db, site.site, causeSubject(result));
    const entries = await signingEntries(database.db, site.site, causeSubject(result));
    const broken = verifySignatures(signatures, entries);
    return {
      rowId,
      resultId: result.result_id,
      receiptId: result.receipt_id,
      container: result.container_label,
      state: result.state,
      decision: result.decision,
      series: about.series,
      cause: causeOption(about),
      shown,
      sha256: bindShown(shown).sha256,
      signatures: signatures.map((s) => {
        return shownSignature(s, causeValidity(s, about.parts), brokenWords(broken, s.id));
      }),
    };
  }

  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async sign(rowId: string, request: CauseRequest, who: SigningRequest): Promise<CauseAnswer> {
    const { database, site, signing } = this.parts;
    const before = await loadCauseCase(database.db, site.site, rowId);
    if (before === null) return { kind: 'unknown' };
    const intent = { meaning: 'reviewed', subject: causeSubject(before.parts.result) } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const receiptId = before.parts.result.receipt_id;
    const done = await transactLocking(database, site.site, (trx, locks) =>
      this.#sign(trx, locks, { rowId, receiptId, request, proof }),
    );
    if (done.kind === 'refused') {
      const { source } = who;
      const actor = { kind: 'person', name: proof.signer.accountId, source } as const;
      await signing.recordRefusal({ actor }, intent, done);
    } else this.parts.onSigned();
    return done;
  }

  async #sign(
    trx: Trx,
    locks: ReceiptLocks,
    { rowId, receiptId, request, proof }: Asked,
  ): Promise<Refused | Extract<CauseAnswer, { kind: 'signed' }>> {
    const { signing, statements, clock } = this.parts;
    const { site } = this.parts.site;
    if (receiptId !== null) await locks.add([receiptId]);
    await shareSiteEvidence(trx, site);
    const about = await loadCauseCase(trx, site, rowId);
    if (about === null) throw new Error(`result ${rowId} is gone`);
    const { result, bundle } = about.parts;
    if (result.receipt_id !== receiptId) {
      return refused('signature-stale', 'the result got another receipt meanwhile');
    }
    const now = clock.now();
    const operatorIds = await operatorsBehind(trx, site, result);
    const duty: Duty = { kind: 'judge-result', right: 'result.review', operatorIds };
    const act = {
      subject: causeSubject(result),
      shown: bindShown(causeDocument(about)),
      namedSha256: request.shownSha256,
      meaning: 'reviewed',
      reason: `${request.reason} (investigation ${request.investigation})`,
      right: 'result.review',
      duty,
      recordFrom: bundle.settled_at,
      now,
    } as const;
    const fault = await signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    const option = causeOption(about);
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    const signed = await signing.sign(trx, proof, act, {
      action: 'result.cause-assigned',
      after: { receiptId, investigation: request.investigation, effects: option.effects },
    });
    if (signed.kind === 'refused') return signed;
    if (receiptId !== null) await statements.evaluateInTransaction(trx, receiptId, now);
    return { kind: 'signed', signature: signed.signature };
  }
}
