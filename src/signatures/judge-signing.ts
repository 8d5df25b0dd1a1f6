import type { Person } from '../access/caller.js';
import { type Duty, type DutyRefusal, judgeDuty } from '../access/duties.js';
import type { Right } from '../access/rights.js';
import { formatInstant, type Instant } from '../formats/instant.js';

/** Why a signature is not made, by name. */
export type SigningRefusal =
  /** No role of the signer gives the right to sign, or the act's own right. */
  | 'right-missing'
  /** The signer measured it, or proposed it: separation of duties (release-safety rule 15). */
  | Exclude<DutyRefusal['code'], 'right-missing'>
  /** The signer announced or changed the receipt that the statement, the stop or the origin is of. */
  | 'duty-own-announcement'
  /** What was shown is not what is there now. */
  | 'signature-stale'
  /** The act is not open to this record, or not any more. */
  | 'act-not-possible'
  /** The clock reads earlier than the record's last signature or entry. */
  | 'signature-clock-back'
  /** The sitting was ended meanwhile: a refused try, the end of its session, another password, another signature in it. */
  | 'signature-sitting-over';

export interface Refused {
  readonly kind: 'refused';
  readonly why: SigningRefusal;
  readonly detail: string;
}

export interface SigningCase {
  readonly signer: Pick<
    Person,
    'accountIds' | 'userName' | 'printedName' | 'rights' | 'everOperatorIds'
  >;
  /** The act's own right. */
  readonly right: Right;
  /** What makes the signer somebody else than who did the work; null where nothing has to. */
  readonly duty: Duty | null;
  /** Operator ids of the duty that belong to no account. */
  readonly strangers: readonly string[];
  /** Digest the signer names, and that of what would be shown now. */
  readonly namedSha256: string;
  readonly currentSha256: string;
  /** Latest signature or entry of the trail about this record; null when there is none. */
  readonly lastAt: Instant | null;
  readonly now: Instant;
}

/** The rules every signature keeps, whatever it is of; null when none is broken. */
export function judgeSigning(about: SigningCase): Refused | null {
  const { signer, duty } = about;
  const missing = (['signature.make', about.right] as const).find((r) => !signer.rights.has(r));
  if (missing !== undefined) {
    return refused('right-missing', `it needs the right ${missing}, which no role of yours gives`);
  }
  const own = duty === null ? null : judgeDuty(signer, duty, about.strangers);
  if (own !== null) return refused(own.code, own.message);
  if (about.lastAt !== null && about.now < about.lastAt) {
    return refused(
      'signature-clock-back',
      `the clock reads ${formatInstant(about.now)}, the last entry about this record is of ${formatInstant(about.lastAt)}`,
    );
  }
  if (about.namedSha256 !== about.currentSha256) {
    return refused(
      'signature-stale',
      `what was shown has the digest ${about.namedSha256}, what is there now ${about.currentSha256}`,
    );
  }
  return null;
}

export function refused(why: SigningRefusal, detail: string): Refused {
  return { kind: 'refused', why, detail };
}
