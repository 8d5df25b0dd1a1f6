import { Problem } from '../problem-details.js';
import type { Refused } from '../signatures/judge-signing.js';
import type { Signature } from '../signatures/signature.js';

/** Why nothing was signed. */
export type NotSigned =
  | { readonly kind: 'unknown' }
  | { readonly kind: 'not-proven'; readonly why: string }
  | Refused;

export type ReviewAnswer =
  | {
      readonly kind: 'signed';
      readonly signature: Signature;
      readonly state: 'accepted' | 'refused';
    }
  | NotSigned;

const NOT_PROVEN: Readonly<Record<string, string>> = {
  'user-name-needed': 'the first signature of a sitting takes user name and password',
  wrong: 'user name and password do not belong together, or the account is not in force',
  locked: 'the account is locked after too many tries',
  'must-change-password':
    'the password was given by an administrator; choose one of your own first',
  busy: 'too many passwords are being checked at this moment; try again',
};

/**
 * Goes on only with a signature that was made.
 *
 * @param what the id names, in words
 * @throws Problem that says why nothing was signed
 */
export function mustBeSigned<A extends { readonly kind: string }>(
  answer: A,
  id: string,
  what = 'result',
): asserts answer is Exclude<A, NotSigned> {
  if (isNotSigned(answer)) throw notSigned(answer, id, what);
}

function isNotSigned(answer: { readonly kind: string }): answer is NotSigned {
  const { kind } = answer;
  return kind === 'unknown' || kind === 'not-proven' || kind === 'refused';
}

function notSigned(answer: NotSigned, id: string, what: string): Problem {
  switch (answer.kind) {
    case 'unknown':
      return new Problem('not-found', `no ${what} has the id ${id}`);
    case 'not-proven': {
      const { why } = answer;
      return new Problem('signature-not-proven', NOT_PROVEN[why] ?? why, { why });
    }
    case 'refused':
      return new Problem(answer.why, answer.detail);
  }
}
