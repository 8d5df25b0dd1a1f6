import { actorOf, type Caller } from '../access/caller.js';
import { Problem } from '../problem-details.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { ReviewAct } from './result-review.js';

const REASON_MIN = 3;
/** Characters of the reason of a signed act. */
export const REASON_MAX = 1000;

/** What a reviewer asks for, beside what proves who they are. */
export type ReviewRequest = SignedRequest<ReviewAct>;

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

/** What anybody who signs about a record asks for, whatever the record. */
export interface SignedRequest<A extends string> {
  readonly act: A;
  /** SHA-256 of the document that was shown. */
  readonly shownSha256: string;
  readonly reason: string;
}

/** A request as it came: what is asked for, and what proves the signer. */
export interface SignedFields<A extends string> {
  readonly review: SignedRequest<A>;
  readonly userName: string | null;
  readonly password: string;
}

/**
 * @throws Problem `query-invalid` that names the field.
 */
export function readReview(fields: Readonly<Record<string, unknown>>): SignedFields<ReviewAct> {
  return readSigned(fields, ['clear', 'refuse']);
}

/**
 * @throws Problem `query-invalid` that names the field.
 */
export function readSigned<A extends string>(
  fields: Readonly<Record<string, unknown>>,
  acts: readonly A[],
): SignedFields<A> {
  const act = acts.find((one) => one === fields['act']);
  if (act === undefined) {
    throw new Problem('query-invalid', `act: expected ${acts.join(' or ')}`);
  }
  const { shownSha256, text, userName, password } = readSignedText(fields, 'reason', REASON_MAX);
  return { review: { act, shownSha256, reason: text }, userName, password };
}

/** What every signed act takes: the digest, a text (its reason), and the proof of the signer. */
export interface SignedText {
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
export function readSignedText(
  fields: Readonly<Record<string, unknown>>,
  name: string,
  max: number,
): SignedText {
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

const INVESTIGATION = /^[^\p{C}]{1,60}$/u;

/**
 * Reference number of an investigation.
 *
 * @throws Problem `query-invalid` when there is none.
 */
function readInvestigation(fields: Readonly<Record<string, unknown>>): string {
  const { investigation } = fields;
  const number = typeof investigation === 'string' ? investigation.trim() : '';
  if (INVESTIGATION.test(number)) return number;
  throw new Problem(
    'query-invalid',
    'investigation: expected the number of the investigation, 1 to 60 characters',
  );
}

/** An act that is signed under an investigation. */
export interface Investigated {
  /** SHA-256 of the document the signer was shown. */
  readonly shownSha256: string;
  readonly reason: string;
  readonly investigation: string;
}

/**
 * What every act under an investigation takes, with what proves its signer.
 *
 * @throws Problem `query-invalid` that names the field.
 */
export function readInvestigated(fields: Readonly<Record<string, unknown>>): {
  readonly investigated: Investigated;
  readonly userName: string | null;
  readonly password: string;
} {
  const investigation = readInvestigation(fields);
  const signed = readSignedText(fields, 'reason', REASON_MAX);
  const { shownSha256, text: reason, userName, password } = signed;
  return { investigated: { shownSha256, reason, investigation }, userName, password };
}
