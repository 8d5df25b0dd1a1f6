import { tellWaitingReceipts } from '../receipts/facts.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import type { EvidenceScope } from '../reconciliation/discrepancies.js';
import { closeByEvidence, openDiscrepancy } from '../reconciliation/discrepancies.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Components, Signature } from '../signatures/signature.js';
import { signaturesOf, signingEntries } from '../signatures/signatures.store.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import { verifySignatures } from '../signatures/verify-signatures.js';
import type { SiteFolder } from '../site/site-folder.js';
import {
  type BundleCase,
  bundleDocument,
  bundleRefusal,
  type ResultOfBundle,
} from '../statements/bundle-refusal.js';
import type {
  BundleReviewAnswer,
  BundleReviewView,
  HeldBundle,
} from '../statements/bundle-review-view.js';
import type { SignedText } from '../statements/review-request.js';
import { signaturesShown } from '../statements/review-view.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import {
  heldBundles,
  loadBundleCase,
  lockLaneOf,
  operatorsOfScans,
  setBundleRefused,
  uncoverRuns,
} from './bundle-review.store.js';
import { operatorsBehind } from './review.store.js';
import { gapIn } from './unowned-evidence.js';
import { lockInDoubt } from './unreadable-evidence.service.js';

export interface BundleReviewParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly signing: SigningService;
  /** After a refusal was committed: receipts may be due. */
  readonly onReviewed: () => void;
}

/**
 * Refuses held bundles, signed (release-safety rules 8, 9, 10 and 16). The signature answers that the bundle was held;
 * the runs nobody else accounts for become gaps in the same transaction, of the same scope. Its results keep their
 * states: each waits for its own review, and contrary ones count on.
 */
export class BundleReviewService {
  constructor(private readonly parts: BundleReviewParts) {}

  list(limit: number): Promise<HeldBundle[]> {
    return heldBundles(this.parts.database.db, this.parts.site.site, limit);
  }

  /** One bundle as a signer is shown it; null when there is none. */
  async show(rowId: string): Promise<BundleReviewView | null> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const about = await loadBundleCase(db, this.parts.site, rowId);
    if (about === null) return null;
    const shown = bundleDocument(about);
    const signatures = await signaturesOf(db, site, shown.subject);
    const broken = verifySignatures(signatures, await signingEntries(db, site, shown.subject));
    return {
      about,
      refuse: bundleRefusal(about),
      shown,
      sha256: bindShown(shown).sha256,
      signatures: signaturesShown(signatures, shown, broken),
    };
  }

  /** Which components the next signature of a person takes, for a form to ask for. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async refuse(
    rowId: string,
    request: Pick<SignedText, 'shownSha256' | 'text'>,
    who: SigningRequest,
  ): Promise<BundleReviewAnswer> {
    const { database, site, signing } = this.parts;
    const before = await loadBundleCase(database.db, site, rowId);
    if (before === null) return { kind: 'unknown' };
    const intent = { meaning: 'refused', subject: bundleDocument(before).subject } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const decided = await transactLocking(database, site.site, (trx, locks) =>
      this.#refuse(trx, locks, { rowId, request, proof }),
    );
    if (decided.kind === 'refused') {
      const actor = { kind: 'person', name: proof.signer.accountId, source: who.source } as const;
      await signing.recordRefusal({ actor }, intent, decided);
    } else this.parts.onReviewed();
    return decided;
  }

  async #refuse(
    trx: Trx,
    locks: ReceiptLocks,
    asked: {
      readonly rowId: string;
      readonly request: Pick<SignedText, 'shownSha256' | 'text'>;
      readonly proof: Proof;
    },
  ): Promise<Refused | Extract<BundleReviewAnswer, { kind: 'signed' }>> {
    const { rowId, request, proof } = asked;
    const { site } = this.parts.site;
    const bundle = await lockLaneOf(trx, site, rowId);
    const { instrument_serial: serial } = bundle;
    const scope: EvidenceScope = {
      ...(serial === null ? {} : { instruments: [serial] }),
      to: bundle.received_at,
    };
    const inDoubt = await lockInDoubt(trx, locks, this.parts.statements, site, [scope]);
    const about = await loadBundleCase(trx, this.parts.site, rowId);
    if (about === null) throw new Error(`bundle ${rowId} is gone`);
    const refusal = bundleRefusal(about);
    const shown = bundleDocument(about);
    const now = this.parts.clock.now();
    const act = {
      subject: shown.subject,
      shown: bindShown(shown),
      namedSha256: request.shownSha256,
      meaning: 'refused',
      reason: request.text,
      right: 'result.review',
      duty: {
        kind: 'judge-result',
        right: 'result.review',
        operatorIds: [
          ...(await operatorsBehindAll(trx, site, about.results)),
          ...(await operatorsOfScans(trx, site, rowId)),
        ],
      },
      recordFrom: bundle.settled_at,
      now,
    } as const;
    const fault = await this.parts.signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    if (!refusal.possible) return refused('act-not-possible', refusal.because.join('; '));
    const signed = await this.parts.signing.sign(trx, proof, act, {
      action: 'bundle.refused',
      before: { state: about.state },
      after: { state: 'refused', gaps: refusal.gaps },
    });
    if (signed.kind === 'refused') return signed;
    if (!(await setBundleRefused(trx, rowId))) throw new Error(`bundle ${rowId} changed meanwhile`);
    await this.#answer(trx, about, { scope, signature: signed.signature });
    for (const id of inDoubt) await this.parts.statements.evaluateInTransaction(trx, id, now);
    return signed;
  }

  /** The gaps first, then what held the bundle is answered: nothing is open to nobody in between. */
  async #answer(
    trx: Trx,
    about: BundleCase,
    { scope, signature }: { readonly scope: EvidenceScope; readonly signature: Signature },
  ): Promise<void> {
    const { site, timeZone: zone } = this.parts.site;
    const serial = about.instrument ?? '';
    const { gaps } = bundleRefusal(about);
    await uncoverRuns(trx, site, serial, gaps);
    for (const gap of gaps) {
      await openDiscrepancy(
        trx,
        {
          ...gapIn(serial, gap),
          site,
          receiptId: null,
          containerLabel: null,
          destination: null,
          scope,
          openedAt: signature.at,
        },
        zone,
      );
    }
    for (const held of ['held', 'conflict'] as const) {
      await closeByEvidence(trx, {
        site,
        class: held,
        subject: `bundle:${about.rowId}`,
        evidence: `signature:${signature.id}`,
        closedAt: signature.at,
        zone,
      });
    }
    await tellWaitingReceipts(trx, site);
  }
}

/** Who measured anything of the bundle, or anything else of the receipts its results belong to (rule 15). */
async function operatorsBehindAll(
  trx: Trx,
  site: string,
  results: readonly ResultOfBundle[],
): Promise<(string | null)[]> {
  const own = results.map((r) => r.operatorId);
  const receipts = new Set(results.map((r) => r.receiptId).filter((id) => id !== null));
  const others: (string | null)[] = [];
  for (const receiptId of receipts) {
    others.push(...(await operatorsBehind(trx, site, { receipt_id: receiptId, operator_id: '' })));
  }
  return [...own, ...others];
}
