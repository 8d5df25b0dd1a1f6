import { uuidv7 } from 'uuidv7';
import { accountsOfPerson } from '../access/accounts.store.js';
import type { Duty } from '../access/duties.js';
import { addMs } from '../formats/instant.js';
import { isRejected, type ReceiptAttributePlan } from '../receipts/attribute-inspection.js';
import { markEvaluationDue } from '../receipts/facts.store.js';
import {
  insertInspectionLift,
  inspectionFactsOf,
  plansStanding,
} from '../receipts/inspection-lifts.store.js';
import {
  type InspectedReceipt,
  type InspectionLiftView,
  type InspectionsView,
  inspectionLiftView,
  inspectionSubject,
  inspectionsView,
  liftDocument,
  liftOption,
  shownInspections,
  whyClosed,
  whyNotReported,
} from '../receipts/inspection-view.js';
import { insertInspection, inspectionsOf } from '../receipts/inspections.store.js';
import { receiptsGoingOn } from '../receipts/lineage.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { containersOf, findReceipts } from '../receipts/receipts.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { type Components, type Signature, signatureManifest } from '../signatures/signature.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Proof, SignedAct, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { SiteFolder } from '../site/site-folder.js';
import type {
  InspectionAnswer,
  InspectionLiftAnswer,
  InspectionLiftRequest,
  InspectionRequest,
  Reported,
} from '../statements/inspection-request.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import type { AttributeInspectionRow } from '../storage/tables.js';
import { operatorsOfReceipt } from './review.store.js';

export interface InspectionsParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly signing: SigningService;
  /** After an inspection was committed: deliveries may be due. */
  readonly onReported: () => void;
}

/**
 * What was found by looking at the labels and for damage of a receipt's containers, entered under a signature by somebody
 * who measured nothing on it. Signature, trail, entry and the statement that follows are one transaction. An entry
 * is never changed: a correction is a further one, and the worst of them counts.
 */
export class InspectionsService {
  constructor(private readonly parts: InspectionsParts) {}

  /** What a receipt is asked for and what was entered, with its digest; null when nobody announced it. */
  async show(receiptId: string): Promise<InspectionsView | null> {
    const { db } = this.parts.database;
    const of = await this.#load(db, receiptId);
    if (of === null) return null;
    const lifts = of.counted.flatMap(({ lift }) => lift?.signatureId ?? []);
    const ids = [...of.entries.map((entry) => entry.signature_id), ...lifts];
    const signatures = await signaturesByIds(db, this.parts.site.site, ids);
    return {
      ...inspectionsView(of),
      sha256: shownInspections(of).sha256,
      closed: whyClosed(of),
      liftable: of.entries.map(({ id }) => id).filter((id) => liftOption(of, id).possible),
      signatures: signatures.map(signatureManifest),
    };
  }

  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  /** Enters a count. The same person sending the same once more, also about what it showed before, gets the first answer. */
  async report(
    receiptId: string,
    request: InspectionRequest,
    who: SigningRequest,
  ): Promise<InspectionAnswer> {
    const { signing, database, site } = this.parts;
    const before = await this.#load(database.db, receiptId);
    if (before === null) return { kind: 'unknown' };
    const intent = { meaning: 'reviewed', subject: inspectionSubject(before) } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const decided = await transactLocking(database, site.site, (trx, locks) =>
      this.#report(trx, locks, { receiptId, request, proof }),
    );
    if (decided.kind === 'refused') {
      const actor = { kind: 'person', name: proof.signer.accountId, source: who.source } as const;
      await signing.recordRefusal({ actor }, intent, decided);
    } else this.parts.onReported();
    return decided;
  }

  /** A count with what lifting it would sign; null when the receipt or the count is not there. */
  async showLift(receiptId: string, inspectionId: string): Promise<InspectionLiftView | null> {
    const of = await this.#load(this.parts.database.db, receiptId);
    const view = of && inspectionLiftView(of, inspectionId);
    return view?.inspection ? view : null;
  }

  /**
   * Lifts a count that was entered wrongly, by signature: the only thing that ends a rejection. Somebody signs it who
   * neither entered the count nor measured anything on the receipt.
   */
  async lift(
    receiptId: string,
    request: InspectionLiftRequest,
    who: SigningRequest,
  ): Promise<InspectionLiftAnswer> {
    const { signing, database, site } = this.parts;
    const before = await this.#load(database.db, receiptId);
    const isThere = before?.entries.some(({ id }) => id === request.inspectionId) ?? false;
    if (before === null || !isThere) return { kind: 'unknown' };
    const intent = { meaning: 'lifted', subject: inspectionSubject(before) } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const decided = await transactLocking(database, site.site, (trx, locks) =>
      this.#lift(trx, locks, { receiptId, request, proof }),
    );
    if (decided.kind === 'refused') {
      const actor = { kind: 'person', name: proof.signer.accountId, source: who.source } as const;
      await signing.recordRefusal({ actor }, intent, decided);
    } else this.parts.onReported();
    return decided;
  }

  async #lift(
    trx: Trx,
    locks: ReceiptLocks,
    asked: {
      readonly receiptId: string;
      readonly request: InspectionLiftRequest;
      readonly proof: Proof;
    },
  ): Promise<Refused | { readonly kind: 'signed'; readonly signature: Signature }> {
    const { receiptId, request, proof } = asked;
    const { signing, statements, clock } = this.parts;
    const { site } = this.parts.site;
    // What came of it carries its rejection, and is better off without.
    const after = await receiptsGoingOn(trx, site, receiptId);
    await locks.add([receiptId, ...after]);
    const of = await this.#load(trx, receiptId);
    const entry = of?.entries.find(({ id }) => id === request.inspectionId);
    if (of === null || entry === undefined) throw new Error(`${request.inspectionId} is gone`);
    const now = clock.now();
    const operatorIds = await operatorsOfReceipt(trx, site, receiptId);
    const act = {
      subject: inspectionSubject(of),
      shown: liftDocument(of, entry.id),
      namedSha256: request.shownSha256,
      meaning: 'lifted',
      reason: `${request.reason} (investigation ${request.investigation})`,
      right: 'stop.lift',
      duty: { kind: 'judge-result', right: 'stop.lift', operatorIds },
      recordFrom: entry.at,
      now,
    } as const;
    const fault = await signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    if ((await accountsOfPerson(trx, proof.signer.accountId)).includes(entry.reported_by)) {
      return refused('duty-own-result', 'you entered the count; somebody else has to lift it');
    }
    const option = liftOption(of, entry.id);
    if (!option.possible) return refused('act-not-possible', option.because ?? '');
    const { attribute, inspected, nonconforming } = entry;
    const signed = await signing.sign(trx, proof, act, {
      action: 'receipt.inspection-lifted',
      before: { inspectionId: entry.id, attribute, inspected, nonconforming, lifted: false },
      after: { inspectionId: entry.id, investigation: request.investigation, lifted: true },
    });
    if (signed.kind === 'refused') return signed;
    await insertInspectionLift(trx, {
      inspection_id: entry.id,
      site,
      receipt_id: receiptId,
      investigation: request.investigation,
      signature_id: signed.signature.id,
      at: now,
    });
    if (of.status === 'open') await statements.evaluateInTransaction(trx, receiptId, now);
    // It can only improve their statements.
    await markEvaluationDue(trx, site, after);
    return signed;
  }

  async #report(
    trx: Trx,
    locks: ReceiptLocks,
    asked: {
      readonly receiptId: string;
      readonly request: InspectionRequest;
      readonly proof: Proof;
    },
  ): Promise<Refused | Reported> {
    const { receiptId, request, proof } = asked;
    const { signing, statements, clock } = this.parts;
    const { site, limits } = this.parts.site;
    await locks.add([receiptId]);
    const of = await this.#load(trx, receiptId);
    if (of === null) throw new Error(`receipt ${receiptId} is gone`);
    const held = of.entries.find((entry) => isSame(entry, request, proof));
    if (held) return this.#again(trx, held);
    const now = clock.now();
    const { report, shownSha256 } = request;
    const act = await this.#actOf(trx, of, request);
    const fault = await signing.judge(trx, proof, { ...act, now });
    if (fault !== null) return fault;
    const why = whyNotReported(report, of, addMs(now, limits.futureToleranceMs));
    if (why !== null) return refused('act-not-possible', why);
    const { attribute, inspected, nonconforming, inspectedBy, inspectedAt } = report;
    const rejected = isRejected(of.plans, of.containers, report);
    const after = { attribute, inspected, nonconforming, rejected, inspectedBy };
    const signed = await signing.sign(
      trx,
      proof,
      { ...act, now },
      {
        action: 'receipt.inspected',
        before: { entries: of.entries.length },
        after: { ...after, inspectedAt: inspectedAt.text },
      },
    );
    if (signed.kind === 'refused') return signed;
    const { signature } = signed;
    const id = uuidv7();
    await insertInspection(trx, {
      id,
      site,
      receipt_id: receiptId,
      receipt_revision: of.revision,
      attribute,
      inspected,
      nonconforming,
      rejected: rejected ? 1 : 0,
      inspected_by: inspectedBy,
      inspected_text: inspectedAt.text,
      inspected_at: inspectedAt.instant,
      reported_by: proof.signer.accountId,
      signature_id: signature.id,
      shown_sha256: shownSha256,
      at: now,
    });
    await statements.evaluateInTransaction(trx, receiptId, now);
    return { kind: 'signed', signature, inspectionId: id };
  }

  async #again(trx: Trx, held: AttributeInspectionRow): Promise<Reported> {
    const [signature] = await signaturesByIds(trx, held.site, [held.signature_id]);
    if (!signature) throw new Error(`the signature of inspection ${held.id} is gone`);
    return { kind: 'signed', signature, inspectionId: held.id };
  }

  async #actOf(
    trx: Trx,
    of: InspectedReceipt,
    { shownSha256, reason }: InspectionRequest,
  ): Promise<Omit<SignedAct, 'now'>> {
    const operatorIds = await operatorsOfReceipt(trx, this.parts.site.site, of.receiptId);
    const duty: Duty = { kind: 'judge-result', right: 'result.review', operatorIds };
    return {
      subject: inspectionSubject(of),
      shown: shownInspections(of),
      namedSha256: shownSha256,
      meaning: 'reviewed',
      reason,
      right: 'result.review',
      duty,
      recordFrom: null,
    };
  }

  async #load(reader: Reader, receiptId: string): Promise<InspectedReceipt | null> {
    const { site } = this.parts.site;
    const row = (await findReceipts(reader, site, [receiptId])).get(receiptId);
    if (row?.announced !== 1) return null;
    const { revision, status, received_at: receivedAt, attribute_plans: plans } = row;
    const asked = plans === null ? [] : (JSON.parse(plans) as ReceiptAttributePlan[]);
    return {
      receiptId,
      revision,
      status,
      receivedAt,
      containers: (await containersOf(reader, site, receiptId)).length,
      plans: await plansStanding(reader, site, asked),
      entries: await inspectionsOf(reader, site, receiptId),
      counted: await inspectionFactsOf(reader, site, receiptId),
    };
  }
}

function isSame(
  entry: AttributeInspectionRow,
  { report, shownSha256 }: InspectionRequest,
  { signer }: Proof,
): boolean {
  return (
    entry.shown_sha256 === shownSha256 &&
    entry.reported_by === signer.accountId &&
    entry.attribute === report.attribute &&
    entry.inspected === report.inspected &&
    entry.nonconforming === report.nonconforming &&
    entry.inspected_by === report.inspectedBy &&
    entry.inspected_at === report.inspectedAt.instant
  );
}
