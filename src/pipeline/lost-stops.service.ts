import type { Duty } from '../access/duties.js';
import type { JsonValue } from '../formats/canonical-json.js';
import { shareSiteEvidence } from '../receipts/facts.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { closeByEvidence, isOpenDiscrepancy } from '../reconciliation/discrepancies.store.js';
import { lockStopsHeldOf, settleHolding, stopsHeldOf } from '../reconciliation/holdings.store.js';
import { holdingPrefix } from '../reconciliation/sweep-findings.service.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import { type Components, signatureManifest } from '../signatures/signature.js';
import { signaturesOf } from '../signatures/signatures.store.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { SiteFolder } from '../site/site-folder.js';
import {
  type LostStop,
  type LostStopAnswer,
  type LostStopCase,
  type LostStopRequest,
  type LostStopView,
  lostStopDocument,
  lostStopOption,
  lostStopSubject,
  lostStopView,
} from '../statements/lost-stop.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import { readInstance } from './instance.store.js';
import { ownAnnouncement } from './own-announcement.store.js';
import { operatorsOfReceipt } from './review.store.js';

export interface LostStopsParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly signing: SigningService;
  /** After an acknowledgement was committed: deliveries may be due. */
  readonly onAcknowledged: () => void;
}

const CLASS = 'unknown-at-source';

/**
 * Stops that were sent in a life of the database that a restore ended, as sweeps find them at destinations. They latch
 * like any other: only a signed act that names them, or a list that no longer shows them, ends what they
 * keep from conforming (release-safety rules 9, 20 and 28).
 */
export class LostStopsService {
  constructor(private readonly parts: LostStopsParts) {}

  /** What is held of a receipt and unknown here, and what acknowledging it would sign; null for an unknown receipt. */
  async show(receiptId: string): Promise<LostStopView | null> {
    const { db } = this.parts.database;
    const about = await this.#load(db, receiptId);
    if (about === null) return null;
    const signed = await signaturesOf(db, this.parts.site.site, lostStopSubject(about));
    return { ...lostStopView(about), signatures: signed.map(signatureManifest) };
  }

  /** How many stops of a receipt destinations hold and nobody here knows, for a page that leads to them. */
  async count(receiptId: string): Promise<number> {
    return (await this.#lostOf(this.parts.database.db, receiptId)).length;
  }

  /** Which components the next signature of a person takes, for a form to ask for. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async acknowledge(
    receiptId: string,
    request: LostStopRequest,
    who: SigningRequest,
  ): Promise<LostStopAnswer> {
    const { signing, database, site } = this.parts;
    const before = await this.#load(database.db, receiptId);
    if (before === null) return { kind: 'unknown' };
    const intent = { meaning: 'lifted', subject: lostStopSubject(before) } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const done = await transactLocking(database, site.site, (trx, locks) =>
      this.#acknowledge(trx, locks, { receiptId, request, proof }),
    );
    if (done.kind === 'refused') {
      const actor = { kind: 'person', name: proof.signer.accountId, source: who.source } as const;
      await signing.recordRefusal({ actor }, intent, done);
    } else this.parts.onAcknowledged();
    return done;
  }

  async #acknowledge(
    trx: Trx,
    locks: ReceiptLocks,
    asked: {
      readonly receiptId: string;
      readonly request: LostStopRequest;
      readonly proof: Proof;
    },
  ): Promise<Refused | Extract<LostStopAnswer, { kind: 'signed' }>> {
    const { receiptId, request, proof } = asked;
    const { signing, statements, clock } = this.parts;
    const { site, timeZone: zone } = this.parts.site;
    await locks.add([receiptId]);
    await shareSiteEvidence(trx, site);
    // A sweep that lists something else by now waits: what is acknowledged is what was shown.
    await lockStopsHeldOf(trx, site, receiptId);
    const about = await this.#load(trx, receiptId);
    if (about === null) throw new Error(`receipt ${receiptId} is gone`);
    const now = clock.now();
    const operatorIds = await operatorsOfReceipt(trx, site, receiptId);
    const duty: Duty = { kind: 'judge-result', right: 'stop.lift', operatorIds };
    const act = {
      subject: lostStopSubject(about),
      shown: bindShown(lostStopDocument(about)),
      namedSha256: request.shownSha256,
      meaning: 'lifted',
      reason: `${request.reason} (investigation ${request.investigation})`,
      right: 'stop.lift',
      duty,
      recordFrom: null,
      now,
    } as const;
    const fault = await signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    const { accountId } = proof.signer;
    const own = await ownAnnouncement(trx, { site, receiptId }, accountId, 'acknowledge its stops');
    if (own !== null) return own;
    const option = lostStopOption(about);
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    const acknowledged = about.lost.map((stop) => `${stop.destination}:${stop.identity}`);
    const { investigation } = request;
    const signed = await signing.sign(trx, proof, act, {
      action: 'stop.lost-acknowledged',
      before: { receiptId, lost: acknowledged, acknowledged: false },
      after: { receiptId, lost: acknowledged, acknowledged: true, investigation },
    });
    if (signed.kind === 'refused') return signed;
    const evidence = `signature:${signed.signature.id} acknowledges it, investigation ${investigation}`;
    for (const { destination, identity } of about.lost) {
      await settleHolding(trx, { site, destination, identity }, now);
      const subject = `${holdingPrefix(destination)}${identity}`;
      await closeByEvidence(trx, { site, class: CLASS, subject, evidence, closedAt: now, zone });
    }
    const evaluation = await statements.evaluateInTransaction(trx, receiptId, now);
    if (evaluation === null) throw new Error(`receipt ${receiptId} is gone`);
    const { outcome, revision } = evaluation;
    return { kind: 'signed', signature: signed.signature, acknowledged, outcome, revision };
  }

  async #load(reader: Reader, receiptId: string): Promise<LostStopCase | null> {
    const about = await this.parts.statements.lookAtStops(reader, receiptId);
    if (about === null) return null;
    const lost = await this.#lostOf(reader, receiptId);
    const { standing, without } = about;
    const isRecovering = (await readInstance(reader)).recovering !== null;
    return { receiptId, lost, standing, without, isRecovering };
  }

  async #lostOf(reader: Reader, receiptId: string): Promise<LostStop[]> {
    const { site } = this.parts.site;
    const lost: LostStop[] = [];
    for (const row of await stopsHeldOf(reader, site, receiptId)) {
      const { destination, identity, reference, revision, held_at: heldAt } = row;
      // Before its finding is open the sweep has not yet numbered what follows above it.
      const subject = `${holdingPrefix(destination)}${identity}`;
      if (!(await isOpenDiscrepancy(reader, site, CLASS, subject))) continue;
      const item = JSON.parse(row.item) as JsonValue;
      lost.push({ destination, identity, reference, revision, heldAt, item });
    }
    return lost;
  }
}
