import type { Duty } from '../access/duties.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import { shareSiteEvidence } from '../receipts/facts.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import { type Components, signatureManifest } from '../signatures/signature.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { StatementsService } from '../statements/statements.service.js';
import { latestStatement, liftStops, stopsOf } from '../statements/statements.store.js';
import { liftDocument, liftOption, stopSubject } from '../statements/stop-lift.js';
import {
  type StopLiftAnswer,
  type StopLiftRequest,
  type StopLiftView,
  type StopView,
  stopLiftView,
  stopView,
} from '../statements/stop-lift-view.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { ownAnnouncement } from './own-announcement.store.js';
import { operatorsOfReceipt } from './review.store.js';
import {
  escalationsOf,
  type ShownEscalation,
  type StopTold,
  stopDeliveries,
} from './stop-escalation.store.js';

export interface StopLiftParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly signing: SigningService;
  /** After a lift was committed: deliveries may be due. */
  readonly onLifted: () => void;
}

/**
 * Lifts stops by signature (release-safety rules 9 and 20), the only thing that ends one. The act names the stop in
 * force; signature, trail, and the statement that follows are one transaction.
 */
export class StopLiftService {
  constructor(private readonly parts: StopLiftParts) {}

  /** Every stop of a receipt and what lifting them would sign; null when nobody announced the receipt. */
  async show(receiptId: string): Promise<StopLiftView | null> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const about = await this.parts.statements.lookAtStops(db, receiptId);
    if (about === null) return null;
    const rows = await stopsOf(db, site, receiptId);
    const ids = [...new Set(rows.map((r) => r.lift_signature_id).filter((id) => id !== null))];
    const signatures = new Map((await signaturesByIds(db, site, ids)).map((s) => [s.id, s]));
    const stopIds = rows.map((r) => r.id);
    const told = await stopDeliveries(db, site, stopIds);
    const escalations = await escalationsOf(db, stopIds);
    return stopLiftView(
      about,
      rows.map((row) => {
        const signature = signatures.get(row.lift_signature_id ?? '');
        return stopView(row, {
          signature: signature ? signatureManifest(signature) : null,
          told: told.filter((t) => t.stopId === row.id).map(toldView),
          escalations: escalations.filter((e) => e.stop_id === row.id).map(escalationView),
        });
      }),
    );
  }

  /** Which components the next signature of a person takes, for a form to ask for. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async lift(
    receiptId: string,
    request: StopLiftRequest,
    who: SigningRequest,
  ): Promise<StopLiftAnswer> {
    const { signing, database, site, statements } = this.parts;
    const before = await statements.lookAtStops(database.db, receiptId);
    if (before === null) return { kind: 'unknown' };
    if (before.standing === null) return refused('act-not-possible', 'no stop is in force');
    const intent = { meaning: 'lifted', subject: stopSubject(before.standing) } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const done = await transactLocking(database, site.site, (trx, locks) =>
      this.#lift(trx, locks, { receiptId, request, proof }),
    );
    if (done.kind === 'refused') {
      const { source } = who;
      const actor = { kind: 'person', name: proof.signer.accountId, source } as const;
      await signing.recordRefusal({ actor }, intent, done);
    } else this.parts.onLifted();
    return done;
  }

  async #lift(
    trx: Trx,
    locks: ReceiptLocks,
    asked: {
      readonly receiptId: string;
      readonly request: StopLiftRequest;
      readonly proof: Proof;
    },
  ): Promise<Refused | Extract<StopLiftAnswer, { kind: 'signed' }>> {
    const { receiptId, request, proof } = asked;
    const { signing, statements, clock } = this.parts;
    const { site } = this.parts.site;
    await locks.add([receiptId]);
    await shareSiteEvidence(trx, site);
    const about = await statements.lookAtStops(trx, receiptId);
    if (about === null) throw new Error(`receipt ${receiptId} is gone`);
    if (about.standing === null) return refused('act-not-possible', 'no stop is in force');
    if (about.standing.stopId !== request.stopId) {
      return refused('act-not-possible', `the stop in force is ${about.standing.stopId}`);
    }
    const now = clock.now();
    const operatorIds = await operatorsOfReceipt(trx, site, receiptId);
    const duty: Duty = { kind: 'judge-result', right: 'stop.lift', operatorIds };
    const act = {
      subject: stopSubject(about.standing),
      shown: bindShown(liftDocument(about)),
      namedSha256: request.shownSha256,
      meaning: 'lifted',
      reason: `${request.reason} (investigation ${request.investigation})`,
      right: 'stop.lift',
      duty,
      recordFrom: about.standing.issuedAt,
      now,
    } as const;
    const fault = await signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    // What it was stopped for may be their own change, and a site may do without the second person who would look again.
    const { accountId } = proof.signer;
    const own = await ownAnnouncement(trx, { site, receiptId }, accountId, 'lift its stop');
    if (own !== null) return own;
    const option = liftOption(about);
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    const lifted = about.open.map((stop) => stop.stopId);
    const signed = await signing.sign(trx, proof, act, {
      action: 'stop.lifted',
      before: { liftedAt: null },
      after: { receiptId, stops: lifted, investigation: request.investigation },
    });
    if (signed.kind === 'refused') return signed;
    const revision = (await latestStatement(trx, site, receiptId))?.revision ?? 0;
    const lift = { at: now, signatureId: signed.signature.id, revision };
    const { investigation } = request;
    if ((await liftStops(trx, lifted, { ...lift, investigation })) !== lifted.length) {
      throw new Error(`a stop of ${receiptId} changed behind its lock`);
    }
    const evaluation = await statements.evaluateInTransaction(trx, receiptId, now);
    if (evaluation === null) throw new Error(`receipt ${receiptId} is gone`);
    return {
      kind: 'signed',
      signature: signed.signature,
      lifted,
      outcome: evaluation.outcome,
      revision: evaluation.revision,
    };
  }
}

function toldView(told: StopTold): StopView['told'][number] {
  const { destination, state, attempts, reason } = told;
  return {
    destination,
    state,
    attempts,
    reason,
    firstSentAt: textOf(told.firstSentAt),
    acceptedAt: textOf(told.acceptedAt),
    confirmedAt: textOf(told.confirmedAt),
  };
}

function escalationView(row: ShownEscalation): StopView['escalations'][number] {
  const { number, channel, person, recipient, why } = row;
  const outcome = row.outcome ?? outcomeOfDelivery(row.delivery_state);
  const detail = row.detail ?? row.delivery_reason;
  const confirmedAt = textOf(row.confirmed_at);
  return {
    confirmedAt,
    number,
    at: formatInstant(row.at),
    channel,
    person,
    recipient,
    why,
    outcome,
    detail,
  };
}

/** What came of telling a destination: told is what a read-back showed. */
function outcomeOfDelivery(
  state: ShownEscalation['delivery_state'],
): StopView['escalations'][number]['outcome'] {
  switch (state) {
    case null:
      return 'unknown';
    case 'confirmed':
      return 'told';
    case 'accepted':
      return 'sent';
    case 'rejected':
    case 'parked':
      return 'failed';
    case 'cancelled':
    case 'superseded':
      return 'ended';
    default:
      return 'on its way';
  }
}

function textOf(at: Instant | null): string | null {
  return at === null ? null : formatInstant(at);
}
