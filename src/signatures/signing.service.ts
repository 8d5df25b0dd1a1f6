import { uuidv7 } from 'uuidv7';
import type { AccountsService } from '../access/accounts.service.js';
import { personOf, shareAccount, strangersAmong } from '../access/accounts.store.js';
import type { Person } from '../access/caller.js';
import type { Duty } from '../access/duties.js';
import type { Right } from '../access/rights.js';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { AccountRow } from '../storage/tables.js';
import { judgeSigning, type Refused, refused } from './judge-signing.js';
import type { bindShown } from './shown-document.js';
import {
  type Components,
  type Meaning,
  type Signature,
  type SignatureSubject,
  signatureDigest,
} from './signature.js';
import { verifySignaturesOf } from './signature-verification.service.js';
import {
  continueSitting,
  endSitting,
  insertSignature,
  insertSitting,
  lastEntryAt,
  openSitting,
} from './signatures.store.js';
import type { SigningRequest } from './signing-request.js';
import { componentsNeeded } from './sitting.js';
import type { SignatureReport } from './verify-signatures.js';

/** What is about to be signed, for the trail when it is refused. */
export interface SigningIntent {
  readonly meaning: Meaning;
  readonly subject: SignatureSubject;
}

export interface NotProven {
  readonly kind: 'not-proven';
  /** `user-name-needed` at the first signature of a sitting, else what the accounts say. */
  readonly why: string;
}

/** That a person proved a moment ago who they are; `prove` makes it and nobody else can. For one signature. */
class ProvenSigner {
  /** Also keeps a look-alike from being taken for one, and the hash out of whatever prints a proof. */
  readonly #passwordHash: string;

  constructor(
    readonly signer: Person,
    passwordHash: string,
    readonly components: Components,
    readonly sessionId: string | null,
    /** The sitting it goes on with; null when it begins one. */
    readonly sittingId: string | null,
    readonly source: string,
  ) {
    this.#passwordHash = passwordHash;
  }

  /** Whether the password that it was proven by is the one of the account now. */
  isProvenBy(account: AccountRow): boolean {
    return account.password === this.#passwordHash;
  }
}

export type Proof = ProvenSigner;

/** What a use case signs: the document that was shown, and the act the signature is for. */
export interface SignedAct {
  readonly subject: SignatureSubject;
  readonly shown: ReturnType<typeof bindShown>;
  /** Digest the signer named. */
  readonly namedSha256: string;
  readonly meaning: Meaning;
  readonly reason: string;
  /** The act's own right, beside `signature.make`. */
  readonly right: Right;
  /** Who did the work and may not sign about it; null where anybody with the right may. */
  readonly duty: Duty | null;
  /** When the record came to be; null when the trail says it. */
  readonly recordFrom: Instant | null;
  readonly now: Instant;
}

/**
 * Electronic signatures, the same for every act that takes one. A use case proves the signer first, judges and
 * signs inside the transaction of its change, and nothing is signed whose change is not committed with it.
 */
export class SigningService {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly accounts: Pick<AccountsService, 'reauthenticate'>,
    private readonly site: { readonly site: string; readonly timeZone: string },
  ) {}

  /** Which components the next signature of this account takes: for a form to ask for. */
  async needed(accountId: string, sessionId: string | null): Promise<Components> {
    const sitting = sessionId === null ? null : await openSitting(this.database.db, sessionId);
    return componentsNeeded(sitting, accountId, this.clock.now());
  }

  /**
   * Has the signer prove who they are (21 CFR 11.200(a)(1)). A refused try ends the sitting of its session and
   * stands in the trail. Before the transaction of the act: a password takes a while to check.
   */
  async prove(
    request: SigningRequest,
    intent: SigningIntent,
  ): Promise<{ readonly kind: 'proven'; readonly proof: Proof } | NotProven> {
    const { accountId, sessionId, userName, password, source } = request;
    const sitting = sessionId === null ? null : await openSitting(this.database.db, sessionId);
    const needed = componentsNeeded(sitting, accountId, this.clock.now());
    if (needed === 'user-name-and-password' && userName === null) {
      return this.#notProven(request, intent, 'user-name-needed');
    }
    const answer = await this.accounts.reauthenticate({
      password,
      source,
      ...(accountId === null ? {} : { accountId }),
      ...(userName === null ? {} : { userName }),
    });
    if (answer.kind === 'refused') return this.#notProven(request, intent, answer.why);
    const given: Components = userName === null ? 'password' : 'user-name-and-password';
    const goesOn = needed === 'password' ? (sitting?.id ?? null) : null;
    const { person, passwordHash } = answer;
    const proof = new ProvenSigner(person, passwordHash, given, sessionId, goesOn, source);
    return { kind: 'proven', proof };
  }

  /**
   * The rules every signature keeps, then the signature and the entry of its act, all in the transaction of the
   * change. The entry carries the digest of the signature: whoever cuts one out, copies or moves it is found by
   * the trail. A value when it may not be signed; the caller then changes nothing.
   *
   * @param entry what the trail says of the act beside its signature
   */
  async sign(
    trx: Trx,
    proof: Proof,
    act: SignedAct,
    entry: { readonly action: string; readonly before?: unknown; readonly after: object },
  ): Promise<{ readonly kind: 'signed'; readonly signature: Signature } | Refused> {
    const fault = await this.judge(trx, proof, act);
    if (fault !== null) return fault;
    const place = await this.#placeInSitting(trx, proof, act.now);
    if (place === null)
      return refused('signature-sitting-over', 'the sitting has ended; sign again');
    const { site, timeZone } = this.site;
    const unbound: Omit<Signature, 'digest'> = {
      id: uuidv7(),
      site,
      at: act.now,
      zone: timeZone,
      accountId: proof.signer.accountId,
      userName: proof.signer.userName,
      printedName: proof.signer.printedName,
      meaning: act.meaning,
      subject: act.subject,
      shown: act.shown.text,
      shownSha256: act.shown.sha256,
      reason: act.reason,
      source: proof.source,
      ...place,
      components: proof.components,
    };
    const signature: Signature = { ...unbound, digest: signatureDigest(unbound) };
    await insertSignature(trx, signature);
    await recordAudit(trx, {
      site,
      zone: timeZone,
      at: act.now,
      actor: actorOf(proof),
      action: entry.action,
      subjectKind: act.subject.kind,
      subjectId: act.subject.id,
      reason: act.reason,
      ...(entry.before === undefined ? {} : { before: entry.before }),
      after: {
        ...entry.after,
        signature: {
          id: signature.id,
          digest: signature.digest,
          meaning: signature.meaning,
          shownSha256: signature.shownSha256,
        },
      },
    });
    return { kind: 'signed', signature };
  }

  /** Why it may not be signed as it stands; `sign` asks this itself, an act asks before it changes anything. */
  async judge(trx: Trx, proof: Proof, act: SignedAct): Promise<Refused | null> {
    const entered = await lastEntryAt(trx, this.site.site, act.subject);
    const known = [entered, act.recordFrom].filter((at) => at !== null);
    // Shared up to the commit: what somebody is ending at this moment has ended before, or is ended behind the signature.
    const account = await shareAccount(trx, proof.signer.accountId);
    if (account === undefined || account.deactivated_at !== null) {
      return refused('right-missing', 'the account is not in force any more');
    }
    // Another password ends every sign-in; who holds the one before signs nothing with it.
    if (!proof.isProvenBy(account)) {
      return refused('signature-sitting-over', 'the password was changed meanwhile; sign again');
    }
    // As they are now: somebody may have taken a role from them, or found out what they measure as.
    const signer = await personOf(trx, account, this.site.site);
    return judgeSigning({
      signer,
      namedSha256: act.namedSha256,
      currentSha256: act.shown.sha256,
      right: act.right,
      duty: act.duty,
      strangers: await strangersAmong(trx, this.site.site, act.duty),
      lastAt: known.length === 0 ? null : (Math.max(...known) as Instant),
      now: act.now,
    });
  }

  /** Holds every signature of the site against the entries of its acts (21 CFR 11.70). */
  verify(): Promise<SignatureReport> {
    return verifySignaturesOf(this.database.db, this.site.site);
  }

  /** Enters a signature that a rule refused, by the name of the rule. The sitting goes on. */
  async recordRefusal(
    request: { readonly actor: Actor },
    intent: SigningIntent,
    { why, detail }: { readonly why: string; readonly detail: string },
  ): Promise<void> {
    await this.#enterRefusal({ ...request, sessionId: null }, intent, why, `${why}: ${detail}`);
  }

  async #notProven(
    request: SigningRequest,
    intent: SigningIntent,
    why: string,
  ): Promise<NotProven> {
    await this.#enterRefusal(request, intent, why, why);
    return { kind: 'not-proven', why };
  }

  async #enterRefusal(
    request: { readonly actor: Actor; readonly sessionId: string | null },
    intent: SigningIntent,
    why: string,
    reason: string,
  ): Promise<void> {
    const { site, timeZone } = this.site;
    const now = this.clock.now();
    await this.database.transact(async (trx) => {
      if (request.sessionId !== null) await endSitting(trx, request.sessionId, now);
      await recordAudit(trx, {
        site,
        zone: timeZone,
        at: now,
        actor: request.actor,
        action: 'signature.refused',
        subjectKind: intent.subject.kind,
        subjectId: intent.subject.id,
        reason,
        after: { meaning: intent.meaning, why },
      });
    });
  }

  async #placeInSitting(
    trx: Trx,
    proof: Proof,
    at: Instant,
  ): Promise<{ readonly series: string; readonly seriesNumber: number } | null> {
    if (proof.sittingId !== null) {
      const seriesNumber = await continueSitting(trx, proof.sittingId, at);
      return seriesNumber === null ? null : { series: proof.sittingId, seriesNumber };
    }
    const id = uuidv7();
    if (proof.sessionId !== null) {
      const { sessionId } = proof;
      await endSitting(trx, sessionId, at);
      const { accountId } = proof.signer;
      const sitting = { id, site: this.site.site, accountId, sessionId, at };
      if (!(await insertSitting(trx, sitting))) return null;
    }
    return { series: id, seriesNumber: 1 };
  }
}

function actorOf(proof: Proof): Actor {
  return { kind: 'person', name: proof.signer.accountId, source: proof.source };
}
