import type { Duty } from '../access/duties.js';
import { formatInstant } from '../formats/instant.js';
import { operatorsOf } from '../receipts/lineage.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown, validityOf } from '../signatures/shown-document.js';
import type { Components } from '../signatures/signature.js';
import { latestSignatureOf, signaturesOf, signingEntries } from '../signatures/signatures.store.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import { verifySignatures } from '../signatures/verify-signatures.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { CauseAnswer, CauseRequest } from '../statements/cause-view.js';
import {
  type PerformanceCauseCase,
  performanceCauseDocument,
  performanceCauseOption,
  performanceCauseSubject,
} from '../statements/performance-cause.js';
import type { PerformanceCauseView } from '../statements/performance-view.js';
import { signaturesShown } from '../statements/review-view.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import { lockNamedIds, performanceOf } from './named-ids.store.js';
import {
  checkByRowId,
  checksBehind,
  closeAnsweredFailures,
  resultsAround,
} from './performance-failures.store.js';

export interface PerformanceCauseParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly signing: SigningService;
  /** After a cause was committed: deliveries may be due. */
  readonly onSigned: () => void;
}

interface Loaded {
  readonly about: PerformanceCauseCase;
  /** Who measured what is in doubt, or anything else of a receipt that the cause may free. */
  readonly operatorIds: readonly (string | null)[];
}

/**
 * Why a performance check failed, signed by somebody who measured nothing of what it leaves in doubt, nor anything else of
 * the receipts that this frees (rule 15), under an investigation (release-safety rule 13). It answers a failure that one allowed repeat followed, and nothing else.
 */
export class PerformanceCauseService {
  constructor(private readonly parts: PerformanceCauseParts) {}

  async show(rowId: string): Promise<PerformanceCauseView | null> {
    const { database, site } = this.parts;
    const loaded = await this.#load(database.db, rowId);
    if (loaded === null) return null;
    const { about } = loaded;
    const shown = performanceCauseDocument(about);
    const signatures = await signaturesOf(database.db, site.site, shown.subject);
    const entries = await signingEntries(database.db, site.site, shown.subject);
    return {
      rowId,
      instrument: about.check.instrument_serial,
      epoch: about.check.run_epoch,
      ...namedCheck(about.check),
      followed: about.followed.map(namedCheck),
      receipts: about.receipts,
      cause: performanceCauseOption(about),
      shown,
      sha256: bindShown(shown).sha256,
      signatures: signaturesShown(signatures, shown, verifySignatures(signatures, entries)),
    };
  }

  /** Which components the next signature of a person takes, for a form to ask for. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async sign(rowId: string, request: CauseRequest, who: SigningRequest): Promise<CauseAnswer> {
    const { database, site, signing } = this.parts;
    const before = await this.#load(database.db, rowId);
    if (before === null) return { kind: 'unknown' };
    const subject = performanceCauseSubject(before.about.check);
    const intent = { meaning: 'reviewed', subject } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const done = await transactLocking(database, site.site, (trx, locks) =>
      this.#sign(trx, locks, rowId, request, proof),
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
    rowId: string,
    request: CauseRequest,
    proof: Proof,
  ): Promise<Refused | Extract<CauseAnswer, { kind: 'signed' }>> {
    const { signing, statements, clock } = this.parts;
    const { site, timeZone: zone } = this.parts.site;
    const first = await this.#load(trx, rowId);
    if (first === null) throw new Error(`performance check ${rowId} is gone`);
    await lockNamedIds(trx, site, [performanceOf(first.about.check.instrument_serial)]);
    await locks.add(first.about.receipts);
    await locks.evidence();
    const loaded = await this.#load(trx, rowId);
    if (loaded === null) throw new Error(`performance check ${rowId} is gone`);
    const { about, operatorIds } = loaded;
    // A result may have come to another receipt while the locks were waited for.
    await locks.add(about.receipts);
    const { check } = about;
    const now = clock.now();
    const duty: Duty = { kind: 'judge-result', right: 'result.review', operatorIds };
    const act = {
      subject: performanceCauseSubject(check),
      shown: bindShown(performanceCauseDocument(about)),
      namedSha256: request.shownSha256,
      meaning: 'reviewed',
      reason: `${request.reason} (investigation ${request.investigation})`,
      right: 'result.review',
      duty,
      recordFrom: check.checked_at,
      now,
    } as const;
    const fault = await signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    const option = performanceCauseOption(about);
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    const signed = await signing.sign(trx, proof, act, {
      action: 'performance-check.cause-assigned',
      after: {
        instrument: check.instrument_serial,
        checkId: check.check_id,
        investigation: request.investigation,
        receipts: about.receipts,
      },
    });
    if (signed.kind === 'refused') return signed;
    const serial = check.instrument_serial;
    await closeAnsweredFailures(trx, { site, serial, now, zone });
    for (const id of about.receipts) await statements.evaluateInTransaction(trx, id, now);
    return { kind: 'signed', signature: signed.signature };
  }

  async #load(reader: Reader, rowId: string): Promise<Loaded | null> {
    const { site, performance } = this.parts.site;
    const check = await checkByRowId(reader, site, rowId);
    if (check === null) return null;
    const around = await resultsAround(reader, check, performance);
    const signature = await latestSignatureOf(reader, site, performanceCauseSubject(check));
    const base = {
      check,
      followed: await checksBehind(reader, check),
      receipts: [...around.receipts].sort(),
    };
    const { record, subject } = performanceCauseDocument({ ...base, signed: null });
    const signed = signature && validityOf(signature, { record, subject });
    const beside = await operatorsOf(reader, site, base.receipts);
    return { about: { ...base, signed }, operatorIds: [...around.operators, ...beside] };
  }
}

function namedCheck(check: PerformanceCauseCase['followed'][number]) {
  return {
    checkId: check.check_id,
    run: check.run_number,
    checkedAt: formatInstant(check.checked_at),
    standard: check.standard,
    verdict: check.verdict,
  };
}
