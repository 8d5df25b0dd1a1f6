import { accountsOfPerson, measuredBy } from '../access/accounts.store.js';
import type { Duty } from '../access/duties.js';
import { parseTimestamp } from '../formats/instant.js';
import { shareSiteEvidence } from '../receipts/facts.store.js';
import { inspectionsOf } from '../receipts/inspections.store.js';
import { receiptsComingOf } from '../receipts/lineage.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Components, Meaning } from '../signatures/signature.js';
import { signaturesOf, signingEntries } from '../signatures/signatures.store.js';
import type { Proof, SignedAct, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import { verifySignatures } from '../signatures/verify-signatures.js';
import type { SiteFolder } from '../site/site-folder.js';
import {
  type ReceiptReviewAct,
  type ReceiptReviewCase,
  receiptReviewDocument,
  receiptReviewOptions,
} from '../statements/receipt-review.js';
import {
  type ReceiptReviewAnswer,
  type ReceiptReviewRequest,
  type ReceiptReviewView,
  receiptReviewView,
  type WaitingReceipt,
  type WaitingReceipts,
} from '../statements/receipt-review-view.js';
import type { StatementsService } from '../statements/statements.service.js';
import { latestStatement, receiptsOpen } from '../statements/statements.store.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import { ownAnnouncement } from './own-announcement.store.js';
import { operatorsOfReceipt } from './review.store.js';

/** Receipts read at once while a list is filled. */
const LIST_CHUNK = 200;

const MEANINGS: Readonly<Record<ReceiptReviewAct, Meaning>> = {
  sign: 'approved',
  refuse: 'refused',
};

export interface ReceiptReviewParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly signing: SigningService;
  /** After a signature was committed: deliveries may be due. */
  readonly onSigned: () => void;
}

/**
 * The second person of a statement (release-safety rule 15): somebody who measured nothing on the receipt looks at
 * what the statement rests on and signs exactly that, or refuses. Signature, trail, the statement that follows from
 * it and its messages are one transaction.
 */
export class ReceiptReviewService {
  constructor(private readonly parts: ReceiptReviewParts) {}

  /** The statement as a second person is shown it; null when nobody announced the receipt. */
  async show(receiptId: string): Promise<ReceiptReviewView | null> {
    const { db } = this.parts.database;
    const about = await this.#load(db, receiptId);
    if (about === null) return null;
    const entries = await signingEntries(db, this.parts.site.site, about.evidence.subject);
    return receiptReviewView(about, verifySignatures(about.signatures, entries));
  }

  /** Which components the next signature of a person takes, for a form to ask for. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  /** Receipts behind `after` of which all holds but the second person, in the order of their ids. */
  async list(after: string, limit: number): Promise<WaitingReceipts> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const waiting: WaitingReceipt[] = [];
    let from = after;
    for (;;) {
      const ids = await receiptsOpen(db, site, from, LIST_CHUNK);
      for (const id of ids) {
        from = id;
        const receipt = await this.#waiting(db, id);
        if (receipt === null) continue;
        waiting.push(receipt);
        if (waiting.length === limit) return { waiting, next: id };
      }
      if (ids.length < LIST_CHUNK) return { waiting, next: null };
    }
  }

  async decide(
    receiptId: string,
    request: ReceiptReviewRequest,
    who: SigningRequest,
  ): Promise<ReceiptReviewAnswer> {
    const { signing, database, site } = this.parts;
    const before = await this.#load(database.db, receiptId);
    if (before === null) return { kind: 'unknown' };
    const intent = { meaning: MEANINGS[request.act], subject: before.evidence.subject };
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const decided = await transactLocking(database, site.site, (trx, locks) =>
      this.#decide(trx, locks, { receiptId, request, proof }),
    );
    if (decided.kind === 'refused') {
      const { source } = who;
      const actor = { kind: 'person', name: proof.signer.accountId, source } as const;
      await signing.recordRefusal({ actor }, intent, decided);
    } else this.parts.onSigned();
    return decided;
  }

  async #decide(
    trx: Trx,
    locks: ReceiptLocks,
    asked: {
      readonly receiptId: string;
      readonly request: ReceiptReviewRequest;
      readonly proof: Proof;
    },
  ): Promise<Refused | Extract<ReceiptReviewAnswer, { kind: 'signed' }>> {
    const { receiptId, request, proof } = asked;
    const { signing, statements, clock } = this.parts;
    // Rule 9: what began anew from it hears of a refusal as it would have, had they come behind it.
    const find = (ids: readonly string[]) => receiptsComingOf(trx, this.parts.site.site, ids);
    const concerned = await locks.addFound([receiptId], find);
    await shareSiteEvidence(trx, this.parts.site.site);
    const about = await this.#load(trx, receiptId);
    if (about === null) throw new Error(`receipt ${receiptId} is gone`);
    const now = clock.now();
    const act = await this.#actOf(trx, about, request);
    const fault = await signing.judge(trx, proof, { ...act, now });
    if (fault !== null) return fault;
    const own = request.act === 'sign' ? await this.#ownWork(trx, receiptId, proof) : null;
    if (own !== null) return own;
    const option = receiptReviewOptions(about)[request.act];
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    const signed = await signing.sign(
      trx,
      proof,
      { ...act, now },
      {
        action: `statement.${MEANINGS[request.act]}`,
        before: { outcome: about.draft.outcome, revision: about.revision },
        after: { effects: option.effects },
      },
    );
    if (signed.kind === 'refused') return signed;
    const evaluation = await statements.evaluateInTransaction(trx, receiptId, now);
    if (evaluation === null) throw new Error(`receipt ${receiptId} is gone`);
    for (const id of [...concerned].filter((other) => other !== receiptId).sort()) {
      await statements.evaluateInTransaction(trx, id, now);
    }
    const { outcome, revision } = evaluation;
    return { kind: 'signed', signature: signed.signature, outcome, revision };
  }

  /**
   * Rule 15: whoever signed an inspection, announced the receipt or changed it is no second person of it, nor is who answers
   * for a key by which that was done.
   */
  async #ownWork(trx: Trx, receiptId: string, { signer }: Proof): Promise<Refused | null> {
    const { site } = this.parts.site;
    const own = await accountsOfPerson(trx, signer.accountId);
    const entries = await inspectionsOf(trx, site, receiptId);
    if (entries.some((entry) => own.includes(entry.reported_by))) {
      const detail = 'you signed an inspection it rests on; somebody else has to judge it';
      return refused('duty-own-result', detail);
    }
    return ownAnnouncement(trx, { site, receiptId }, signer.accountId, 'sign its statement');
  }

  async #actOf(
    trx: Trx,
    about: ReceiptReviewCase,
    request: ReceiptReviewRequest,
  ): Promise<Omit<SignedAct, 'now'>> {
    const { site } = this.parts.site;
    const operatorIds = await operatorsOfReceipt(trx, site, about.receiptId);
    const duty: Duty = { kind: 'judge-result', right: 'result.review', operatorIds };
    const latest = await latestStatement(trx, site, about.receiptId);
    return {
      subject: about.evidence.subject,
      shown: bindShown(receiptReviewDocument(about)),
      namedSha256: request.shownSha256,
      meaning: MEANINGS[request.act],
      reason: request.reason,
      right: 'result.review',
      duty,
      recordFrom: latest === null ? null : (parseTimestamp(latest.evaluatedAt)?.instant ?? null),
    };
  }

  async #load(reader: Reader, receiptId: string): Promise<ReceiptReviewCase | null> {
    const { statements, site } = this.parts;
    const look = await statements.look(reader, receiptId);
    if (look === null || look.draft.evidence === null) return null;
    const { draft, revision } = look;
    const { evidence } = look.draft;
    return {
      receiptId,
      draft,
      evidence,
      revision,
      environment: site.environment,
      toldTo: statements.toldTo(),
      measuredBy: await measuredBy(
        reader,
        site.site,
        await operatorsOfReceipt(reader, site.site, receiptId),
      ),
      signatures: await signaturesOf(reader, site.site, evidence.subject),
    };
  }

  async #waiting(reader: Reader, receiptId: string): Promise<WaitingReceipt | null> {
    const latest = await latestStatement(reader, this.parts.site.site, receiptId);
    if (latest === null || latest.outcome !== 'incomplete') return null;
    const open = latest.conditions.filter((c) => c.state === 'unmet' || c.state === 'contradicted');
    if (open.length !== 1 || open[0]?.code !== 'second-person') return null;
    const { receiptNumber, line, material, siteLot } = latest.receipt;
    const { revision, containers } = latest;
    return {
      receiptId,
      receiptNumber,
      line,
      material,
      siteLot,
      revision,
      containers: containers.length,
    };
  }
}
