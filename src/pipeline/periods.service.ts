import { uuidv7 } from 'uuidv7';
import type { JsonValue } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import { requireFolderInForce } from '../methods/method-registry.store.js';
import type { ComparisonService } from '../reconciliation/comparison.service.js';
import { addendumDocument, periodDocument } from '../reconciliation/period-document.js';
import { addendumRevision } from '../reconciliation/period-record.js';
import { judgePeriod, type PeriodRefusal } from '../reconciliation/period-rules.js';
import {
  addendaOf,
  carryUnlisted,
  changesOf,
  closeAddendum,
  findPeriod,
  insertPeriod,
  latestPeriods,
  overlappingPeriods,
} from '../reconciliation/periods.store.js';
import { ReconciliationService } from '../reconciliation/reconciliation.service.js';
import type { Period } from '../reconciliation/site-day.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Components, Signature, SignatureSubject } from '../signatures/signature.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { ClosingAnswer, ClosingRequest, PeriodProposal } from '../statements/period-view.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import type { PeriodRow } from '../storage/tables.js';
import type { PeriodMessages } from './period-messages.service.js';

export interface PeriodsParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly comparison: ComparisonService;
  readonly signing: SigningService;
  readonly messages: PeriodMessages;
  /** After a close or an addendum was committed: its deliveries are due. */
  readonly onClosed: () => void;
}

/** Changes of one addendum; what it has beyond is in the next one, which opens when it is signed. */
const CHANGES_MAX = 20_000;
const PERIODS_SHOWN_MAX = 400;
/** Commits that another process may still bring before a period stands still, on a shared database. */
const ROUNDS_MAX = 10_000;

/**
 * Closes periods and their addenda, signed. What is signed is worked out in the transaction of the signature, with
 * the comparison held still: the digest that was shown is that of what is stored, or nothing is stored.
 */
export class PeriodsService {
  constructor(private readonly parts: PeriodsParts) {}

  /** What would be signed, or the rule that stands in the way. */
  async propose(period: Period): Promise<PeriodProposal | PeriodRefusal> {
    await this.parts.comparison.catchUp();
    const { db } = this.parts.database;
    const fault = await this.#judge(db, period);
    return fault ?? this.#proposal(db, period);
  }

  /** Closed periods, the latest first. */
  list(): Promise<PeriodRow[]> {
    return latestPeriods(this.parts.database.db, this.parts.site.site, PERIODS_SHOWN_MAX);
  }

  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async close(
    period: Period,
    request: ClosingRequest,
    who: SigningRequest,
  ): Promise<ClosingAnswer> {
    const intent = { meaning: 'closed' as const, subject: subjectOf(this.parts.site.site, period) };
    const answer = await this.parts.signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const closed = await this.parts.database.transact((trx) =>
      this.#close(trx, period, request, answer.proof),
    );
    if (closed.kind === 'refused') {
      await this.parts.signing.recordRefusal({ actor: who.actor }, intent, closed);
    }
    if (closed.kind === 'closed') this.parts.onClosed();
    return closed;
  }

  /** Signs what has changed since the period was closed; later changes open the next number. */
  async closeAddendum(
    periodId: string,
    number: number,
    request: ClosingRequest,
    who: SigningRequest,
  ): Promise<ClosingAnswer> {
    const subject = { kind: 'period-addendum', id: periodId, revision: number };
    const answer = await this.parts.signing.prove(who, { meaning: 'closed', subject });
    if (answer.kind === 'not-proven') return answer;
    const closed = await this.parts.database.transact(async (trx): Promise<ClosingAnswer> => {
      await this.#standStill(trx);
      const proposal = await this.proposeAddendum(periodId, number, trx);
      if (proposal === null) return { kind: 'unknown' };
      const now = this.parts.clock.now();
      const signed = await this.#sign(trx, proposal, request, answer.proof, now);
      if (signed.kind === 'refused') return signed;
      const { signature } = signed;
      const isOpen = await closeAddendum(trx, proposal.addendumId, {
        closed_at: now,
        closed_by: signature.accountId,
        signature: signature.id,
        reason: request.reason,
        document: signature.shown,
        digest: signature.shownSha256,
      });
      if (!isOpen) throw new Error('the addendum was closed behind the lock of the comparison');
      const { addendumId } = proposal;
      const { site } = this.parts.site;
      await carryUnlisted(trx, { site, periodId, addendumId }, CHANGES_MAX, now);
      const revision = addendumRevision(number);
      await this.parts.messages.enqueue(trx, { periodId, revision, now });
      return { kind: 'closed', id: proposal.addendumId, signature };
    });
    if (closed.kind === 'refused') {
      await this.parts.signing.recordRefusal(
        { actor: who.actor },
        { meaning: 'closed', subject },
        closed,
      );
    }
    if (closed.kind === 'closed') this.parts.onClosed();
    return closed;
  }

  /** An open addendum as it would be signed now; null when there is none of this number. */
  async proposeAddendum(
    periodId: string,
    number: number,
    reader: Reader = this.parts.database.db,
  ): Promise<(PeriodProposal & { readonly addendumId: string }) | null> {
    const { site } = this.parts.site;
    const period = await findPeriod(reader, site, periodId);
    const open = (await addendaOf(reader, site, periodId)).find(
      (a) => a.number === number && a.closed_at === null,
    );
    if (!period || !open) return null;
    const changes = await changesOf(reader, site, open.id, CHANGES_MAX);
    const document = addendumDocument({ site, period, number, changes });
    const subject = { kind: 'period-addendum', id: periodId, revision: number };
    return { addendumId: open.id, subject, document, sha256: shownOf(subject, document).sha256 };
  }

  async #close(
    trx: Trx,
    period: Period,
    request: ClosingRequest,
    proof: Proof,
  ): Promise<ClosingAnswer> {
    await this.#standStill(trx);
    const fault = await this.#judge(trx, period);
    if (fault !== null) return { kind: 'not-closable', ...fault };
    const proposal = await this.#proposal(trx, period);
    const now = this.parts.clock.now();
    const signed = await this.#sign(trx, proposal, request, proof, now);
    if (signed.kind === 'refused') return signed;
    const { signature } = signed;
    const id = uuidv7();
    await insertPeriod(trx, {
      id,
      site: this.parts.site.site,
      from_at: period.from,
      to_at: period.to,
      document: signature.shown,
      digest: signature.shownSha256,
      closed_at: now,
      closed_by: signature.accountId,
      signature: signature.id,
      reason: request.reason,
    });
    await this.parts.messages.enqueue(trx, { periodId: id, revision: 1, now });
    return { kind: 'closed', id, signature };
  }

  async #sign(
    trx: Trx,
    { subject, document }: PeriodProposal,
    { shownSha256, reason }: ClosingRequest,
    proof: Proof,
    now: Instant,
  ): Promise<{ readonly kind: 'signed'; readonly signature: Signature } | Refused> {
    if (reason.trim() === '' || reason.length > 2_000) {
      return refused('act-not-possible', 'reason: expected 1 to 2000 characters');
    }
    return this.parts.signing.sign(
      trx,
      proof,
      {
        subject,
        shown: shownOf(subject, document),
        namedSha256: shownSha256,
        meaning: 'closed',
        reason,
        right: 'period.close',
        duty: null,
        recordFrom: null,
        now,
      },
      { action: `${subject.kind}.closed`, after: { revision: subject.revision } },
    );
  }

  /**
   * Holds the comparison until the transaction ends, with everything committed so far compared. What is signed is judged,
   * and told, by the folder in force only.
   */
  async #standStill(trx: Trx): Promise<void> {
    await requireFolderInForce(trx, this.parts.site);
    for (let n = 0; n < ROUNDS_MAX; n += 1) {
      const round = await this.parts.comparison.roundInTransaction(trx, true);
      if (!round?.isMore) return;
    }
    throw new Error('the comparison never caught up');
  }

  async #judge(reader: Reader, period: Period): Promise<PeriodRefusal | null> {
    const closed = await overlappingPeriods(reader, this.parts.site.site, period.from, period.to);
    return judgePeriod(
      period,
      closed.map((row) => ({ from: row.from_at, to: row.to_at })),
      this.parts.clock.now(),
    );
  }

  async #proposal(reader: Reader, period: Period): Promise<PeriodProposal> {
    const { clock, site } = this.parts;
    const still = { catchUp: () => Promise.resolve() };
    const reconciliation = new ReconciliationService(reader, clock, site, still);
    const report = await reconciliation.report(period.from, period.to);
    const document = periodDocument(report);
    const subject = subjectOf(site.site, period);
    return { subject, document, sha256: shownOf(subject, document).sha256 };
  }
}

function subjectOf(site: string, { from, to }: Period): SignatureSubject {
  return { kind: 'period', id: `${site}:${from}-${to}`, revision: 1 };
}

function shownOf(subject: SignatureSubject, record: Readonly<Record<string, JsonValue>>) {
  return bindShown({ subject, record, context: {} });
}
