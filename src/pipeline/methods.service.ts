import { findAccount } from '../access/accounts.store.js';
import { responsibleForKey } from '../access/api-keys.store.js';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import { indexOfSite } from '../checks/site-index.js';
import { canonicalJson } from '../formats/canonical-json.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import {
  ACT_MEANINGS,
  type ActOption,
  actDocument,
  actOption,
  approvedFrom,
  type MethodAct,
  type MethodCase,
} from '../methods/method-act.js';
import {
  changeRegistry,
  insertEvent,
  insertVersion,
  type RegistryEntry,
  referenceBytes,
  registryEntries,
  siteInForce,
} from '../methods/method-registry.store.js';
import type { MethodActRequest } from '../methods/method-request.js';
import {
  type MethodDetail,
  type MethodSummary,
  type MethodView,
  methodDetail,
  methodSummary,
} from '../methods/method-view.js';
import { methodSubject } from '../methods/proposed-method.js';
import { type ProposalFault, readProposal } from '../methods/read-proposal.js';
import { isSameContent, type RegisteredVersion } from '../methods/registered-method.js';
import { lockSiteEvidence } from '../receipts/facts.store.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { type Refused, refused } from '../signatures/judge-signing.js';
import { bindShown, type ShownDocument } from '../signatures/shown-document.js';
import { type Components, type Signature, signatureManifest } from '../signatures/signature.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Proof, SignedAct, SigningService } from '../signatures/signing.service.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import { methodProposalSchema } from '../site/schemas.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { NotSigned } from '../statements/review-answer.js';
import type { StatementsService } from '../statements/statements.service.js';
import { conformingByMethod } from '../statements/statements.store.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';

export interface MethodsParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly statements: StatementsService;
  readonly signing: SigningService;
  /** After an act was committed: stops may be due. */
  readonly onSigned: () => void;
}

/** Names a version. */
export interface VersionName {
  readonly id: string;
  readonly version: string;
}

export type ProposalAnswer =
  | { readonly kind: 'registered' | 'known'; readonly method: MethodDetail }
  | { readonly kind: 'invalid'; readonly faults: readonly ProposalFault[] }
  | { readonly kind: 'exists' | 'nobody-answers'; readonly detail: string };

/** What an act would sign. */
export interface MethodActView {
  readonly act: MethodAct;
  readonly option: ActOption;
  /** Receipts that conform and hold a result by this version, or by one that it supersedes. */
  readonly resting: readonly string[];
  readonly shown: ShownDocument;
  readonly sha256: string;
}

export type MethodActAnswer =
  | {
      readonly kind: 'signed';
      readonly signature: Signature;
      readonly method: MethodDetail;
      /** Receipts whose stop the act called for. */
      readonly stopped: readonly string[];
    }
  | NotSigned;

/**
 * The method registry: what is in it, proposals, and the signed acts about a version. Every act locks the site's
 * evidence, so that no statement is evaluated while the registry changes, and evaluates in its own transaction every
 * conforming receipt that rests on what it changes.
 */
export class MethodsService {
  constructor(private readonly parts: MethodsParts) {}

  async list(): Promise<MethodSummary[]> {
    const now = this.parts.clock.now();
    const entries = await registryEntries(this.parts.database.db, this.parts.site.site);
    return entries.map((entry) => methodSummary(entry, now));
  }

  async show(name: VersionName): Promise<MethodView | null> {
    const { db } = this.parts.database;
    const { site } = this.parts.site;
    const [entry] = await registryEntries(db, site, undefined, name);
    if (entry === undefined) return null;
    const ids = entry.events.flatMap((e) => ('signatureId' in e ? [e.signatureId] : []));
    const signatures = await signaturesByIds(db, site, [...new Set(ids)]);
    const manifests = signatures.map((s) => [s.id, signatureManifest(s)] as const);
    const detail = methodDetail(entry, this.parts.clock.now());
    return { ...detail, signatures: Object.fromEntries(manifests) };
  }

  /** The file of a version's reference, as it was registered; null when it has none. */
  async reference(name: VersionName): Promise<Uint8Array | null> {
    const { db } = this.parts.database;
    const [entry] = await registryEntries(db, this.parts.site.site, undefined, name);
    const digest = entry?.version.content.referenceSha256 ?? null;
    return digest === null ? null : await referenceBytes(db, digest);
  }

  /** Registers a version that somebody proposes; nothing is judged by it before it is approved. */
  async propose(body: unknown, actor: Actor): Promise<ProposalAnswer> {
    const { database, clock, site } = this.parts;
    return await database.transact(async (trx) => {
      if (actor.kind === 'key' && (await responsibleForKey(trx, site.site, actor.name)) === null) {
        return { kind: 'nobody-answers', detail: NOBODY_ANSWERS };
      }
      // Before the first look: of two who propose one version the second finds the first's.
      await lockSiteEvidence(trx, site.site);
      const entries = await registryEntries(trx, site.site);
      const read = readProposal(body, methodProposalSchema(), {
        materials: new Set(site.materials.map((m) => m.code)),
        decisions: new Map(site.decisions.map((d) => [d.id, d.rule])),
        versionsOf: (id) => new Set(versionsOf(entries, id).map((e) => e.version.content.version)),
        references: indexOfSite((await siteInForce(trx, site)).site).references,
      });
      if (!read.ok) return { kind: 'invalid', faults: read.faults };
      const { content, contentDigest, dates, reference } = read.proposal;
      const known = versionsOf(entries, content.id).find(
        (e) => e.version.content.version === content.version,
      );
      const now = clock.now();
      if (known !== undefined) {
        return isSameContent(known.version.content, content) &&
          canonicalJson(known.version.proposal) === canonicalJson(dates)
          ? { kind: 'known', method: methodDetail(known, now) }
          : { kind: 'exists', detail: `${content.id} version ${content.version}` };
      }
      const version: RegisteredVersion = {
        content,
        contentDigest,
        source: 'api',
        siteFolder: null,
        proposal: dates,
        proposedBy: actor.name,
        proposedAt: now,
      };
      await insertVersion(trx, site.site, version, reference);
      await changeRegistry(trx, site.site);
      const subject = methodSubject(content);
      await recordAudit(trx, {
        site: site.site,
        zone: site.timeZone,
        at: now,
        actor,
        action: 'method.proposed',
        subjectKind: subject.kind,
        subjectId: subject.id,
        after: { contentDigest, content, proposal: dates },
      });
      return {
        kind: 'registered',
        method: methodDetail({ version, events: [], method: null }, now),
      };
    });
  }

  /** What an act about a version would do and sign; null when nobody registered it. */
  async showAct(
    name: VersionName,
    act: MethodAct,
    at: Instant | null,
  ): Promise<MethodActView | null> {
    const { db } = this.parts.database;
    const entries = await registryEntries(db, this.parts.site.site);
    const about = caseOf(entries, name, act, at);
    if (about === null) return null;
    const shown = actDocument(about);
    const resting = await this.#resting(db, about, entries);
    const option = actOption(about, this.parts.clock.now());
    return { act, option, resting, shown, sha256: bindShown(shown).sha256 };
  }

  /** Which components the next signature of a person takes, for a form to ask for. */
  needed(accountId: string, sessionId: string): Promise<Components> {
    return this.parts.signing.needed(accountId, sessionId);
  }

  async sign(
    name: VersionName,
    request: MethodActRequest,
    who: SigningRequest,
  ): Promise<MethodActAnswer> {
    const { signing, database, site } = this.parts;
    const known = await registryEntries(database.db, site.site, undefined, name);
    if (known.length === 0) return { kind: 'unknown' };
    const intent = { meaning: ACT_MEANINGS[request.act], subject: methodSubject(name) } as const;
    const answer = await signing.prove(who, intent);
    if (answer.kind === 'not-proven') return answer;
    const { proof } = answer;
    const done = await transactLocking(database, site.site, (trx, locks) =>
      this.#sign(trx, locks, name, request, proof),
    );
    if (done.kind === 'refused') {
      const actor = { kind: 'person', name: proof.signer.accountId, source: who.source } as const;
      await signing.recordRefusal({ actor }, intent, done);
    } else this.parts.onSigned();
    return done;
  }

  async #sign(
    trx: Trx,
    locks: ReceiptLocks,
    name: VersionName,
    request: MethodActRequest,
    proof: Proof,
  ): Promise<Refused | Extract<MethodActAnswer, { kind: 'signed' }>> {
    const { signing, clock, statements } = this.parts;
    const { site } = this.parts.site;
    const { act, at } = request;
    const before = await registryEntries(trx, site);
    const first = caseOf(before, name, act, at);
    if (first !== null) await locks.add(await this.#resting(trx, first, before));
    await locks.evidence();
    // Behind the lock: the registry stands still, and no receipt comes to conform any more.
    const entries = await registryEntries(trx, site);
    const about = caseOf(entries, name, act, at);
    if (about === null) throw new Error(`version ${name.version} of ${name.id} is gone`);
    const resting = await this.#resting(trx, about, entries);
    await locks.add(resting);
    const now = clock.now();
    const proposer = await proposerOf(trx, site, about.version);
    const signedAct = this.#actOf(about, request, proposer, now);
    const fault = await signing.judge(trx, proof, signedAct);
    if (fault !== null) return fault;
    const option = actOption(about, now);
    if (!option.possible) return refused('act-not-possible', option.because.join('; '));
    const from = approvedFrom(about.version, now);
    const effective = act === 'approve' ? from : at;
    const signed = await signing.sign(trx, proof, signedAct, {
      action: `method.${ACT_MEANINGS[act]}`,
      after: {
        contentDigest: about.version.contentDigest,
        at: effective === null ? null : formatInstant(effective),
        ...(act === 'approve' ? { supersedes: about.version.proposal?.supersedes ?? [] } : {}),
      },
    });
    if (signed.kind === 'refused') return signed;
    await this.#store(trx, about, { now, from, signatureId: signed.signature.id });
    const stopped: string[] = [];
    for (const receiptId of resting) {
      const evaluation = await statements.evaluateInTransaction(trx, receiptId, now);
      if (evaluation !== null && evaluation.stop !== 'none') stopped.push(receiptId);
    }
    const [entry] = await registryEntries(trx, site, undefined, name);
    if (entry === undefined) throw new Error(`version ${name.version} of ${name.id} is gone`);
    return { ...signed, method: methodDetail(entry, now), stopped };
  }

  #actOf(
    about: MethodCase,
    request: MethodActRequest,
    proposedBy: string | null,
    now: Instant,
  ): SignedAct {
    const { proposedAt } = about.version;
    const right = 'method.approve';
    const { shownSha256, reason } = request;
    return {
      subject: methodSubject(about.version.content),
      shown: bindShown(actDocument(about)),
      namedSha256: shownSha256,
      meaning: ACT_MEANINGS[about.act],
      reason,
      right,
      // Whoever proposed it may find it wrong, or retire it: only what puts it in force needs a second person.
      duty: about.act === 'approve' ? { kind: 'approve', right, proposedBy } : null,
      recordFrom: proposedAt,
      now,
    };
  }

  async #store(
    trx: Trx,
    about: MethodCase,
    signed: { readonly now: Instant; readonly from: Instant; readonly signatureId: string },
  ): Promise<void> {
    const { site } = this.parts.site;
    const { content, proposal } = about.version;
    const { now, from, signatureId } = signed;
    const base = { at: now, signatureId };
    await changeRegistry(trx, site);
    if (about.act === 'invalidate') {
      await insertEvent(trx, site, content, { kind: 'invalidated', ...base });
    } else if (about.act === 'retire' && about.at !== null) {
      await insertEvent(trx, site, content, { kind: 'retired', ...base, retiredAt: about.at });
    } else if (about.act === 'approve') {
      await insertEvent(trx, site, content, { kind: 'approved', ...base, effectiveFrom: from });
      for (const version of proposal?.supersedes ?? []) {
        const superseded = { id: content.id, version };
        await insertEvent(trx, site, superseded, { kind: 'retired', ...base, retiredAt: from });
      }
    }
  }

  /**
   * Receipts that conform and hold a result by a version that the act takes something from. An approval takes from those
   * that it supersedes, and from all that a decision declares not recomputable which it adds a version to: what was
   * signed of the decision is another document then.
   */
  async #resting(
    reader: OpenDatabase['db'] | Trx,
    about: MethodCase,
    entries: readonly RegistryEntry[],
  ): Promise<string[]> {
    const { site } = this.parts.site;
    const { content, proposal } = about.version;
    if (about.act !== 'approve') {
      return await conformingByMethod(reader, site, content.id, [content.version]);
    }
    const decision = proposal?.notRecomputable;
    const declared = entries.flatMap(({ method }) =>
      decision !== undefined && method?.notRecomputable === decision ? [method] : [],
    );
    const ids = await conformingByMethod(reader, site, content.id, proposal?.supersedes ?? []);
    for (const { id, version } of declared) {
      ids.push(...(await conformingByMethod(reader, site, id, [version])));
    }
    return [...new Set(ids)].sort();
  }
}

/**
 * Which person proposed a version, as far as separation of duties goes: for what a program proposed, who answers for its
 * key. The site folder is read by the gateway itself, and nobody proposes what stands in it. null where nobody can say.
 */
async function proposerOf(
  trx: Trx,
  site: string,
  { source, proposedBy }: RegisteredVersion,
): Promise<string | null> {
  if (source === 'site-folder') return proposedBy;
  const account = await findAccount(trx, proposedBy);
  return account?.id ?? (await responsibleForKey(trx, site, proposedBy));
}

const NOBODY_ANSWERS =
  'nobody answers for what is proposed with this key; make one with `drumline key create --responsible NAME`, or propose as a person';

function versionsOf(entries: readonly RegistryEntry[], id: string): RegistryEntry[] {
  return entries.filter((e) => e.version.content.id === id);
}

function caseOf(
  entries: readonly RegistryEntry[],
  name: VersionName,
  act: MethodAct,
  at: Instant | null,
): MethodCase | null {
  const all = versionsOf(entries, name.id);
  const entry = all.find((e) => e.version.content.version === name.version);
  if (entry === undefined) return null;
  const others = all.flatMap((e) => (e === entry || e.method === null ? [] : [e.method]));
  const { version, events, method } = entry;
  return { version, events, method, others, act, at: act === 'retire' ? at : null };
}
