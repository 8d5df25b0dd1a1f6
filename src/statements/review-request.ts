import { actorOf, type Caller } from '../access/caller.js';
import { Problem } from '../problem-details.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { ReviewAct } from './result-review.js';

const REASON_MIN = 3;
/** Characters of the reason of a signed act. */
export const REASON_MAX = 1000;

/** What a reviewer asks for, beside what proves who they are. */
export interface ReviewRequest {
  readonly act: ReviewAct;
  /** SHA-256 of the document the reviewer was shown. */
  readonly shownSha256: string;
  readonly reason: string;
}

/** Who signs: the person of the session, or on the command line whoever the user name says. */
export function signerOf(
  caller: Caller,
  userName: string | null,
  password: string,
): SigningRequest {
  const isPerson = caller.kind === 'person';
  return {
    actor: actorOf(caller),
    accountId: isPerson ? caller.id : null,
    sessionId: isPerson ? caller.sessionId : null,
    userName,
    password,
    source: caller.source,
  };
}

/**
 * @throws Problem `query-invalid` that names the field.
 */
export function readReview(fields: Readonly<Record<string, unknown>>): {
  readonly review: ReviewRequest;
  readonly userName: string | null;
  readonly password: string;
} {
  const { act } = fields;
  if (act !== 'clear' && act !== 'refuse') {
    throw new Problem('query-invalid', 'act: expected clear or refuse');
  }
  const { shownSha256, text, userName, password } = readSigned(fields, 'reason', REASON_MAX);
  return { review: { act, shownSha256, reason: text }, userName, password };
}

/** What every signed act takes: the digest, a text (its reason), and the proof of the signer. */
export interface SignedFields {
  /** SHA-256 of the document the signer was shown. */
  readonly shownSha256: string;
  readonly text: string;
  readonly userName: string | null;
  readonly password: string;
}

/**
 * @param name of the field with the text, which has at most `max` characters
 * @throws Problem `query-invalid` that names the field.
 */
export function readSigned(
  fields: Readonly<Record<string, unknown>>,
  name: string,
  max: number,
): SignedFields {
  const { shown, userName, password } = fields;
  const reason = fields[name];
  if (typeof shown !== 'string' || !/^[0-9a-f]{64}$/.test(shown)) {
    throw new Problem('query-invalid', 'shown: expected the SHA-256 of what was shown (the ETag)');
  }
  const why = typeof reason === 'string' ? reason.trim() : '';
  if (why.length < REASON_MIN || why.length > max) {
    throw new Problem('query-invalid', `${name}: expected ${REASON_MIN} to ${max} characters`);
  }
  if (typeof password !== 'string' || password === '') {
    throw new Problem('query-invalid', 'password: expected the password of the signer');
  }
  if (userName !== undefined && userName !== null && typeof userName !== 'string') {
    throw new Problem('query-invalid', 'userName: expected a text');
  }
  const given = typeof userName === 'string' ? userName.trim() : '';
  return { shownSha256: shown, text: why, userName: given === '' ? null : given, password };
}
