import { uuidv7 } from 'uuidv7';
import {
  accountsOfPerson,
  findAccount,
  namesOfOperator,
  personOf,
  strangersAmong,
} from '../access/accounts.store.js';
import { type Duty, judgeDuty } from '../access/duties.js';
import { looksAlike } from '../access/user-name.js';
import { recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import {
  attributionsOf,
  decideAttribution,
  findAttribution,
  insertAttribution,
  moveResult,
  openAttributions,
} from '../receipts/attributions.store.js';
import { tellWaitingReceipts } from '../receipts/facts.store.js';
import { operatorsOf, receiptsComingOf } from '../receipts/lineage.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { closeUnownedEvidence } from '../receipts/receipts.store.js';
import { receiptsRefusedBesideResults } from '../receipts/refused-beside.store.js';
import {
  auditClosed,
  closeByEvidence,
  openDiscrepancy,
} from '../reconciliation/discrepancies.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import {
  type Components,
  type Meaning,
  type Signature,
  signatureManifest,
} from '../signatures/signature.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Proof, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { SiteFolder } from '../site/site-folder.js';
import {
  type AttributionAct,
  type AttributionCase,
  attributionDocument,
  attributionOptions,
  attributionSubject,
  evidenceFaults,
  isMove,
  proposalSubjects,
  speaksAgainst,
} from '../statements/attribution.js';
import {
  type AttributionAnswer,
  type AttributionProposal,
  type AttributionRequest,
  type AttributionView,
  attributionView,
  type ProposalAnswer,
  type ResultPlaceView,
  type ShownAttribution,
  shownAttribution,
} from '../statements/attribution-view.js';
import type { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import type { AttributionRow, ResultRow } from '../storage/tables.js';
import {
  attributedResult,
  loadAttributionCase,
  loadTarget,
  validityInForce,
} from './attribution.store.js';
import { lockNamedIds } from './named-ids.store.js';
import type { ResultMessages } from './result-messages.service.js';

export interface AttributionParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly messages: ResultMessages;
  readonly signing: SigningService;
  /** After something was committed: stops, deliveries and receipts may be due. */
  readonly onChanged: () => void;
}

/** Who proposes: a person who is known by a session or by a password. */
export interface Proposer {
  readonly accountId: string;
  readonly printedName: string;
  readonly source: string | null;
}

/** Proposals about one result that wait at once. */
const OPEN_MAX = 20;

const MEANINGS: Readonly<Record<AttributionAct, Meaning>> = {
  attribute: 'attributed',
  decline: 'refused',
};

interface Deciding {
  readonly about: AttributionCase;
  readonly before: ResultRow;
  readonly signature: Signature;
  readonly now: Instant;
}

/**
 * Gives results the receipt and container they are of when the scan was wrong, or named none (release-safety rule 25).
 * One person says what the labels show, and from then on a contrary result counts at both places; a second person
 * signs, and everything the move changes is one transaction: the result's revision, both statements, what
 * destinations are to withdraw and only then to get, and the evidence that had no owner.
 */
export class AttributionService {
  constructor(private readonly parts: AttributionParts) {}

  /** Where a result is, and everything that was said about it; null when there is none. */
  async showResult(rowId: string): Promise<ResultPlaceView | null> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const result = await attributedResult(db, site, rowId);
    if (result === null) return null;
    const validity = await validityInForce(db, site, rowId);
    return {
      rowId,
      resultId: result.result_id,
      revision: result.revision,
      decision: result.decision,
      contrary: result.contrary === 1,
      operator: result.operator_id,
      scanned: {
        receipt: result.receipt_scanned,
        container: result.container_scanned,
        lot: result.lot,
      },
      place: { receiptId: result.receipt_id, container: result.container_label },
      inForce: validity && {
        isValid: validity.kind === 'valid',
        changed: validity.kind === 'void' ? validity.changed : [],
      },
      attributions: await this.#shown(db, await attributionsOf(db, site, rowId)),
    };
  }

  /** A proposal with what would be signed; null when there is none. */
  async show(id: string): Promise<AttributionView | null> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const row = await findAttribution(db, site, id);
    if (row === null) return null;
    const [signature] = await signaturesByIds(db, site, [row.signature_id ?? '']);
    return attributionView(
      await loadAttributionCase(db, site, row, this.parts.messages),
      signature ? signatureManifest(signature) : null,
    );
  }

  /** Proposals that wait for a second person, oldest first, behind `after`. */
  async list(after: string, limit: number): Promise<ShownAttribution[]> {
    const { db } = this.parts.database;
    return this.#shown(db, await openAttributions(db, this.parts.site.site, after, limit));
  }

  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  /** As `propose` for a command: the proposer is proven by user name and password. */
  async proposeAs(
    rowId: string,
    proposal: AttributionProposal,
    who: SigningRequest,
  ): Promise<ProposalAnswer> {
    const subject = { kind: 'result', id: rowId, revision: 1 };
    const answer = await this.parts.signing.prove(who, { meaning: 'attributed', subject });
    if (answer.kind === 'not-proven') return answer;
    const { accountId, printedName, rights } = answer.proof.signer;
    if (!rights.has('result.reattribute')) {
      return refused('right-missing', 'it needs the right result.reattribute');
    }
    return this.propose(rowId, proposal, { accountId, printedName, source: who.source });
  }

  /**
   * Stores what a person says the labels show. Nothing is taken from anywhere by it; what speaks against the receipt it
   * names counts there at once.
   */
  async propose(
    rowId: string,
    proposal: AttributionProposal,
    by: Proposer,
  ): Promise<ProposalAnswer> {
    const { database, site } = this.parts;
    const before = await attributedResult(database.db, site.site, rowId);
    if (before === null) return { kind: 'unknown' };
    const done = await transactLocking(database, site.site, (trx, locks) =>
      this.#propose(trx, locks, { before, proposal, by }),
    );
    if (done.kind === 'proposed') this.parts.onChanged();
    return done;
  }

  async #propose(
    trx: Trx,
    locks: ReceiptLocks,
    asked: {
      readonly before: ResultRow;
      readonly proposal: AttributionProposal;
      readonly by: Proposer;
    },
  ): Promise<ProposalAnswer> {
    const { proposal, by } = asked;
    const { site, timeZone: zone } = this.parts.site;
    const { receiptId, seen, reason } = proposal;
    await lockNamedIds(trx, site, [`result:${asked.before.result_id}`]);
    await locks.add([asked.before.receipt_id, receiptId].filter((id) => id !== null));
    const result = await attributedResult(trx, site, asked.before.id);
    if (result === null) throw new Error(`result ${asked.before.id} is gone`);
    if (result.receipt_id !== null) await locks.add([result.receipt_id]);
    const own = await this.#ownResult(trx, result, receiptId, by);
    if (own !== null) return own;
    const target = await loadTarget(trx, site, receiptId, seen.container);
    const open = (await attributionsOf(trx, site, result.id)).filter((a) => a.state === 'open');
    const faults = [
      ...evidenceFaults(result, receiptId, target, seen),
      ...(await this.#againstProposal(trx, result, proposal, target?.label ?? null, open)),
    ];
    if (faults.length > 0 || target === null || target.label === null) {
      return refused('act-not-possible', faults.join('; '));
    }
    const now = this.parts.clock.now();
    const row: AttributionRow = {
      id: uuidv7(),
      site,
      result_row_id: result.id,
      from_receipt: result.receipt_id,
      from_label: result.container_label,
      to_receipt: receiptId,
      to_label: target.label,
      seen_receipt: seen.receipt,
      seen_container: seen.container,
      seen_lot: seen.lot,
      seen_by: seen.seenBy,
      reason,
      proposed_by: by.accountId,
      proposed_name: by.printedName,
      proposed_at: now,
      state: 'open',
      decided_at: null,
      signature_id: null,
      result_revision: null,
      judged_revision: null,
    };
    await insertAttribution(trx, row);
    await recordAudit(trx, {
      site,
      zone,
      at: now,
      actor: { kind: 'person', name: by.accountId, ...(by.source ? { source: by.source } : {}) },
      action: 'attribution.proposed',
      subjectKind: 'attribution',
      subjectId: row.id,
      reason,
      after: {
        resultRowId: result.id,
        from: { receiptId: row.from_receipt, container: row.from_label },
        to: { receiptId, container: row.to_label },
        label: { ...seen },
      },
    });
    await this.#openFor(trx, row, result, speaksAgainst(result, target.receipt.material), now);
    const touched = [result.receipt_id, receiptId].filter((id) => id !== null);
    await this.#evaluate(trx, touched, now);
    return { kind: 'proposed', id: row.id };
  }

  /**
   * Rule 15, also for who only proposes: what a proposer says of the labels is half of what a second person signs, and who
   * measured on a receipt that the signature will bear on would say it of their own work.
   */
  async #ownResult(
    trx: Trx,
    result: ResultRow,
    toReceipt: string,
    by: Proposer,
  ): Promise<Refused | null> {
    const { site } = this.parts.site;
    const account = await findAccount(trx, by.accountId);
    if (account === undefined || account.deactivated_at !== null) {
      return refused('right-missing', 'the account is not in force any more');
    }
    const { receiptIds } = await bearing(trx, site, result);
    const duty = await dutyAbout(trx, site, result, [...receiptIds, toReceipt]);
    const strangers = await strangersAmong(trx, site, duty);
    const own = judgeDuty(await personOf(trx, account, site), duty, strangers);
    return own && refused(own.code, own.message);
  }

  async #againstProposal(
    reader: Reader,
    result: ResultRow,
    { receiptId, seen }: AttributionProposal,
    label: string | null,
    open: readonly AttributionRow[],
  ): Promise<string[]> {
    const faults: string[] = [];
    const { site } = this.parts.site;
    const { operator_id: operator } = result;
    const measuredBy = operator === null ? [] : await namesOfOperator(reader, site, operator);
    if (measuredBy.some((name) => looksAlike(name, seen.seenBy))) {
      faults.push('who measured it cannot be who looked at the labels');
    }
    if (open.length >= OPEN_MAX) faults.push(`${OPEN_MAX} proposals wait for a signature`);
    if (open.some((a) => a.to_receipt === receiptId && a.to_label === label)) {
      faults.push('the same is proposed already and waits for a signature');
    }
    if (result.receipt_id === receiptId && result.container_label === label) {
      const inForce = await validityInForce(reader, site, result.id);
      if (inForce?.kind !== 'void') faults.push('it belongs there already');
    }
    return faults;
  }

  /** Doubt at the receipt a result is said not to be of, and at the other when it speaks against it. */
  async #openFor(
    trx: Trx,
    row: AttributionRow,
    result: ResultRow,
    isAgainst: boolean,
    now: Instant,
  ): Promise<void> {
    const { site, timeZone } = this.parts.site;
    const words = `result ${result.result_id} is said to be of container ${row.to_label} of receipt ${row.to_receipt}`;
    const places = [
      [row.from_receipt, row.from_label, proposalSubjects(row.id)[0]],
      [isAgainst ? row.to_receipt : null, row.to_label, proposalSubjects(row.id)[1]],
    ] as const;
    const opened = new Set<string>();
    for (const [receiptId, containerLabel, subject] of places) {
      if (receiptId === null || opened.has(receiptId)) continue;
      opened.add(receiptId);
      const discrepancy = {
        site,
        class: 'attribution-open' as const,
        subject,
        receiptId,
        containerLabel,
        destination: null,
        scope: null,
        detail: words,
        openedAt: now,
        ...(result.instrument_serial === null ? {} : { instrument: result.instrument_serial }),
      };
      await openDiscrepancy(trx, discrepancy, timeZone);
    }
  }

  /** Signs or declines a proposal; the signer neither measured the result nor proposed this. */
  async decide(
    id: string,
    request: AttributionRequest,
    who: SigningRequest,
  ): Promise<AttributionAnswer> {
    const { signing, database, site } = this.parts;
    const before = await findAttribution(database.db, site.site, id);
    if (before === null) return { kind: 'unknown' };
    const intent = { meaning: MEANINGS[request.act], subject: attributionSubject(before) };
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const decided = await transactLocking(database, site.site, (trx, locks) =>
      this.#decide(trx, locks, { row: before, request, proof }),
    );
    if (decided.kind === 'refused') {
      const actor = {
        kind: 'person',
        name: proof.signer.accountId,
        ...(who.source === null ? {} : { source: who.source }),
      } as const;
      await signing.recordRefusal({ actor }, intent, decided);
    } else this.parts.onChanged();
    return decided;
  }

  async #decide(
    trx: Trx,
    locks: ReceiptLocks,
    asked: {
      readonly row: AttributionRow;
      readonly request: AttributionRequest;
      readonly proof: Proof;
    },
  ): Promise<Refused | Extract<AttributionAnswer, { kind: 'signed' }>> {
    const { request, proof } = asked;
    const { site } = this.parts.site;
    const { signing, messages } = this.parts;
    const touched = await this.#lock(trx, locks, asked.row);
    const row = await findAttribution(trx, site, asked.row.id);
    const before = await attributedResult(trx, site, asked.row.result_row_id);
    if (row === null || before === null) throw new Error(`attribution ${asked.row.id} is gone`);
    const about = await loadAttributionCase(trx, site, row, messages);
    const now = this.parts.clock.now();
    const duty = await dutyAbout(trx, site, before, touched);
    const act = {
      subject: attributionSubject(row),
      shown: bindShown(attributionDocument(about)),
      namedSha256: request.shownSha256,
      meaning: MEANINGS[request.act],
      reason: request.reason,
      right: 'result.reattribute',
      duty,
      recordFrom: row.proposed_at,
      now,
    } as const;
    const fault = await signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    if ((await accountsOfPerson(trx, proof.signer.accountId)).includes(row.proposed_by)) {
      return refused('duty-own-proposal', 'you proposed it; somebody else has to sign it');
    }
    const option = attributionOptions(about)[request.act];
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    const signed = await signing.sign(trx, proof, act, {
      action: `attribution.${request.act === 'attribute' ? 'signed' : 'declined'}`,
      before: { state: row.state },
      after: { resultRowId: before.id, effects: option.effects },
    });
    if (signed.kind === 'refused') return signed;
    const { signature } = signed;
    const deciding = { about, before, signature, now };
    const isMoved = request.act === 'attribute' && isMove(about);
    if (request.act === 'attribute') await this.#attribute(trx, deciding);
    else await this.#close(trx, row, 'declined', deciding);
    await this.#evaluate(trx, touched, now);
    return {
      kind: 'signed',
      signature,
      state: request.act === 'attribute' ? 'signed' : 'declined',
      revision: before.revision + (isMoved ? 1 : 0),
    };
  }

  /**
   * The result under its id, then every receipt that a signature about it bears on, in order. A split or an announcement may
   * move it while a lock is waited for.
   */
  async #lock(trx: Trx, locks: ReceiptLocks, row: AttributionRow): Promise<ReadonlySet<string>> {
    const { site } = this.parts.site;
    const before = await attributedResult(trx, site, row.result_row_id);
    if (before === null) throw new Error(`result ${row.result_row_id} is gone`);
    await lockNamedIds(trx, site, [`result:${before.result_id}`]);
    const touched = new Set<string>();
    const find = async () => {
      const { receiptIds, isUnowned } = await bearing(trx, site, before, touched);
      for (const id of receiptIds) touched.add(id);
      return isUnowned;
    };
    await find();
    await locks.add(touched);
    const isUnowned = await find();
    await locks.add(touched);
    if (!isUnowned && before.drum_number === null) return touched;
    // One of no receipt has no lock, nor a drum that is listed for the first time: who announces either shares the evidence.
    await locks.evidence();
    await find();
    await locks.add(touched);
    return touched;
  }

  async #attribute(trx: Trx, deciding: Deciding): Promise<void> {
    const { about, before, signature, now } = deciding;
    const { row, target } = about;
    const { site, timeZone: zone } = this.parts.site;
    if (target === null) throw new Error(`receipt ${row.to_receipt} is gone`);
    const isMoved = isMove(about);
    const to = { receiptId: row.to_receipt, label: row.to_label };
    if (isMoved && !(await moveResult(trx, before, to))) {
      throw new Error(`result ${before.id} changed behind its lock`);
    }
    const resultRevision = before.revision + (isMoved ? 1 : 0);
    await this.#close(trx, row, 'signed', deciding, {
      fromReceipt: before.receipt_id,
      fromLabel: before.container_label,
      resultRevision,
      receiptRevision: target.receipt.revision,
    });
    for (const other of about.others) await this.#close(trx, other, 'overtaken', deciding);
    const evidence = `signature:${signature.id}`;
    const closed = await closeUnownedEvidence(trx, site, before.id, {
      evidence,
      placed: true,
      now,
    });
    await auditClosed(trx, closed, { site, zone, at: now, evidence });
    if (closed.length > 0) await tellWaitingReceipts(trx, site);
    if (!isMoved) return;
    const reason = `attributed to ${to.label} of receipt ${to.receiptId} by ${signature.printedName}: ${row.reason}`;
    const { withdrawnAt } = await this.parts.messages.sendAnew(
      trx,
      before,
      to.receiptId,
      reason,
      now,
    );
    await recordAudit(trx, {
      site,
      zone,
      at: now,
      actor: actorOf(signature),
      action: 'result.attributed',
      subjectKind: 'result',
      subjectId: before.id,
      reason,
      before: {
        receiptId: before.receipt_id,
        containerLabel: before.container_label,
        revision: before.revision,
      },
      after: {
        receiptId: to.receiptId,
        containerLabel: to.label,
        revision: resultRevision,
        withdrawnAt,
        signedAs: signature.id,
      },
    });
  }

  /** Decides a proposal and closes what waited for that. */
  async #close(
    trx: Trx,
    row: AttributionRow,
    state: 'signed' | 'declined' | 'overtaken',
    { signature, now }: Deciding,
    signed: Parameters<typeof decideAttribution>[2]['signed'] = null,
  ): Promise<void> {
    const { site, timeZone: zone } = this.parts.site;
    const decision = { state, at: now, signatureId: signature.id, signed };
    if (!(await decideAttribution(trx, row.id, decision))) {
      throw new Error(`attribution ${row.id} was decided behind its lock`);
    }
    const evidence = `signature:${signature.id}`;
    for (const subject of proposalSubjects(row.id)) {
      const what = { site, class: 'attribution-open' as const, subject, evidence };
      await closeByEvidence(trx, { ...what, closedAt: now, zone });
    }
    if (state !== 'overtaken') return;
    await recordAudit(trx, {
      site,
      zone,
      at: now,
      actor: actorOf(signature),
      action: 'attribution.overtaken',
      subjectKind: 'attribution',
      subjectId: row.id,
      reason: signature.reason,
      before: { state: row.state },
      after: { state, signedAs: signature.id },
    });
  }

  async #evaluate(trx: Trx, receiptIds: Iterable<string>, now: Instant): Promise<void> {
    for (const id of [...new Set(receiptIds)].sort()) {
      await this.parts.statements.evaluateInTransaction(trx, id, now);
    }
  }

  async #shown(reader: Reader, rows: readonly AttributionRow[]): Promise<ShownAttribution[]> {
    const ids = rows.map((row) => row.signature_id).filter((id) => id !== null);
    const signatures = await signaturesByIds(reader, this.parts.site.site, [...new Set(ids)]);
    const byId = new Map(signatures.map((s) => [s.id, signatureManifest(s)]));
    return rows.map((row) => shownAttribution(row, byId.get(row.signature_id ?? '') ?? null));
  }
}

/**
 * Every receipt that a signature about a result bears on: those that anybody ever said it was of, since what it takes away or
 * gives back may stand at any of them, and what containers of those came to (rule 19). Whatever lists the drum that was
 * scanned is judged by it until somebody signs that it was another. Where a review of it refused others of its id, their
 * receipts too: the review is void once the result belongs elsewhere.
 *
 * @param known receipts that were found before
 */
async function bearing(
  reader: Reader,
  site: string,
  { id: rowId, drum_number: number }: Pick<ResultRow, 'id' | 'drum_number'>,
  known: Iterable<string> = [],
): Promise<{ readonly receiptIds: ReadonlySet<string>; readonly isUnowned: boolean }> {
  const receiptIds = new Set(known);
  const result = await attributedResult(reader, site, rowId);
  if (result !== null && result.receipt_id !== null) receiptIds.add(result.receipt_id);
  for (const a of await attributionsOf(reader, site, rowId)) {
    receiptIds.add(a.to_receipt);
    if (a.from_receipt !== null) receiptIds.add(a.from_receipt);
  }
  const numbers = number === null ? [] : [number];
  for (const id of await receiptsComingOf(reader, site, [...receiptIds], numbers)) {
    receiptIds.add(id);
  }
  for (const id of await receiptsRefusedBesideResults(reader, site, [rowId])) receiptIds.add(id);
  return { receiptIds, isUnowned: result !== null && result.receipt_id === null };
}

/** Whoever measured the result, or anything on a receipt that a signature about it bears on, is no judge of it. */
async function dutyAbout(
  reader: Reader,
  site: string,
  result: ResultRow,
  receiptIds: Iterable<string>,
): Promise<Extract<Duty, { kind: 'judge-result' }>> {
  const operatorIds = [...(await operatorsOf(reader, site, [...receiptIds])), result.operator_id];
  return { kind: 'judge-result', right: 'result.reattribute', operatorIds };
}

function actorOf(signature: Signature) {
  const { accountId: name, source } = signature;
  return { kind: 'person', name, ...(source === null ? {} : { source }) } as const;
}
