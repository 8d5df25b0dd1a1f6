import { formatInstant, type Instant } from '../formats/instant.js';

/** Who signs: the account, and what the site declared of it. */
export interface Signer {
  readonly accountId: string;
  readonly userName: string;
  readonly printedName: string;
  /** Ids under which this person measures at instruments. */
  readonly operatorIds: readonly string[];
}

/** Why a signature is not made, by name. */
export type SigningRefusal =
  /** What was shown is not what is there now. */
  | 'stale'
  /** The act is not open to this record (any more), or never was. */
  | 'not-possible'
  /** The signer measured the result, or something of the same receipt (release-safety rule 15). */
  | 'own-result'
  /** The clock reads earlier than the record's last signature or entry. */
  | 'clock-set-back'
  /** The sitting was ended meanwhile, by a refused try or the end of its session. */
  | 'sitting-over';

export interface Refused {
  readonly kind: 'refused';
  readonly why: SigningRefusal;
  readonly detail: string;
}

export interface SigningCase {
  readonly signer: Signer;
  /** Digest the signer names, and that of what would be shown now. */
  readonly namedSha256: string;
  readonly currentSha256: string;
  /** Operators who measured what is signed about, and anything of the same receipt. */
  readonly measuredBy: readonly string[];
  /** Latest signature or entry of the trail about this record; null when there is none. */
  readonly lastAt: Instant | null;
  readonly now: Instant;
}

/** The rules every signature keeps, whatever it is of; null when none is broken. */
export function judgeSigning(about: SigningCase): Refused | null {
  const own = ownOperatorId(about.signer.operatorIds, about.measuredBy);
  if (own !== null) {
    return refused(
      'own-result',
      `${about.signer.userName} measured here as operator ${own}; another person has to sign`,
    );
  }
  if (about.lastAt !== null && about.now < about.lastAt) {
    return refused(
      'clock-set-back',
      `the clock reads ${formatInstant(about.now)}, the last entry about this record is of ${formatInstant(about.lastAt)}`,
    );
  }
  if (about.namedSha256 !== about.currentSha256) {
    return refused(
      'stale',
      `what was shown has the digest ${about.namedSha256}, what is there now ${about.currentSha256}`,
    );
  }
  return null;
}

export function refused(why: SigningRefusal, detail: string): Refused {
  return { kind: 'refused', why, detail };
}

/** The declared operator id under which the signer measured; null when they measured nothing of it. */
export function ownOperatorId(
  declared: readonly string[],
  measuredBy: readonly string[],
): string | null {
  const measured = new Set(measuredBy.map(normaliseOperatorId));
  return declared.find((id) => measured.has(normaliseOperatorId(id))) ?? null;
}

/**
 * Instruments let people type their id: case, width and spaces around or inside it make no other person. An
 * id that differs in anything else is another one.
 */
export function normaliseOperatorId(id: string): string {
  return id.normalize('NFKC').replace(/\s+/gu, '').toLowerCase();
}
