import { siteInForce } from '../methods/method-registry.store.js';
import { lockSiteEvidence, tellWaitingReceipts } from '../receipts/facts.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown } from '../signatures/shown-document.js';
import { type Components, signatureManifest } from '../signatures/signature.js';
import { latestSignaturesOf } from '../signatures/signatures.store.js';
import type { Proof, SignedAct, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { SiteFolder } from '../site/site-folder.js';
import { decisionEffects, decisionStanding } from '../statements/decision-effects.js';
import { decisionState } from '../statements/decisions.js';
import { decisionDocument, decisionSubject, SITE_DECISION } from '../statements/site-decision.js';
import type {
  DecisionAnswer,
  DecisionSigning,
  SiteDecisionSummary,
  SiteDecisionView,
} from '../statements/site-decision-view.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';

export interface SiteDecisionsParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly signing: SigningService;
  /** After a signature was committed: receipts that waited for it are due. */
  readonly onSigned: () => void;
}

/** Site decisions and their signatures: no fact improves a statement without one (rules 4, 9, 11, 15 and 17). */
export class SiteDecisionsService {
  constructor(private readonly parts: SiteDecisionsParts) {}

  /** Every decision of the site folder, and those that a method which left it still rests on. */
  async list(): Promise<SiteDecisionSummary[]> {
    return (await this.#views(this.parts.database.db)).map(summaryOf);
  }

  /** null when the site has no decision of this id. */
  async show(id: string): Promise<SiteDecisionView | null> {
    return (await this.#views(this.parts.database.db, id))[0] ?? null;
  }

  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async sign(id: string, request: DecisionSigning, who: SigningRequest): Promise<DecisionAnswer> {
    const { database, signing } = this.parts;
    if ((await this.show(id)) === null) return { kind: 'unknown' };
    const intent = { meaning: 'approved', subject: decisionSubject(id) } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const done = await database.transact((trx) => this.#sign(trx, id, request, proof));
    if (done.kind === 'refused') {
      const actor = { kind: 'person', name: proof.signer.accountId, source: who.source } as const;
      await signing.recordRefusal({ actor }, intent, done);
    } else this.parts.onSigned();
    return done;
  }

  async #sign(
    trx: Trx,
    id: string,
    request: DecisionSigning,
    proof: Proof,
  ): Promise<Refused | Extract<DecisionAnswer, { kind: 'signed' }>> {
    const { signing, clock, site } = this.parts;
    // No statement is evaluated, and no registry changes, until the signature is committed.
    await lockSiteEvidence(trx, site.site);
    const [before] = await this.#views(trx, id);
    if (before === undefined) throw new Error(`site decision ${id} is gone`);
    const act: SignedAct = {
      subject: decisionSubject(id),
      shown: bindShown(before.shown),
      namedSha256: request.shownSha256,
      meaning: 'approved',
      reason: request.reason,
      right: 'decision.sign',
      // Who wrote it into the site folder has no account here.
      duty: null,
      recordFrom: null,
      now: clock.now(),
    };
    const fault = await signing.judge(trx, proof, act);
    if (fault !== null) return fault;
    if (before.state === 'signed') {
      return refused(
        'act-not-possible',
        `${before.signature?.printedName} signed it as it reads now`,
      );
    }
    const { state, changed } = before;
    const signed = await signing.sign(trx, proof, act, {
      action: 'site-decision.approved',
      before: { state, ...(changed.length === 0 ? {} : { changed }) },
      after: { state: 'signed', rule: before.rule, siteFolder: site.digest },
    });
    if (signed.kind === 'refused') return signed;
    // A signature makes no statement worse: what it bears on may be evaluated behind this transaction.
    await tellWaitingReceipts(trx, site.site);
    const [after] = await this.#views(trx, id);
    if (after === undefined) throw new Error(`site decision ${id} is gone`);
    return { ...signed, decision: summaryOf(after) };
  }

  async #views(reader: Reader, only?: string): Promise<SiteDecisionView[]> {
    const { site } = await siteInForce(reader, this.parts.site);
    const now = this.parts.clock.now();
    const ids = site.decisions.map((d) => d.id).filter((id) => only === undefined || id === only);
    const decisionSignatures = await latestSignaturesOf(reader, site.site, SITE_DECISION, ids);
    return ids.flatMap((id): SiteDecisionView[] => {
      const record = site.decisions.find((d) => d.id === id);
      const shown = decisionDocument(site, id);
      if (record === undefined || shown === null) return [];
      const { signed: _, ...decision } = record;
      const state = decisionState({ site, decisionSignatures }, id);
      const effects = decisionEffects(site, id, now);
      return [
        {
          ...decision,
          state: state.kind,
          signature: state.kind === 'unsigned' ? null : signatureManifest(state.signature),
          changed: state.kind === 'void' ? state.changed : [],
          standing: decisionStanding(effects),
          loosens: [...new Set(effects.flatMap(({ loosens }) => loosens ?? []))],
          effects,
          shown,
          sha256: bindShown(shown).sha256,
        },
      ];
    });
  }
}

function summaryOf({
  shown: _shown,
  sha256: _sha256,
  effects: _effects,
  ...summary
}: SiteDecisionView) {
  return summary satisfies SiteDecisionSummary;
}
