import type { ErrorCode } from '../error-registry.js';
import type { Refused } from '../signatures/judge-signing.js';
import type { Signature } from '../signatures/signature.js';

export type ReviewAnswer =
  | {
      readonly kind: 'signed';
      readonly signature: Signature;
      readonly state: 'accepted' | 'refused';
    }
  | { readonly kind: 'unknown' }
  | { readonly kind: 'not-proven'; readonly why: string }
  | Refused;

export interface ReviewProblem {
  readonly code: ErrorCode;
  readonly detail: string;
  readonly extensions: Readonly<Record<string, string>>;
}

const NOT_PROVEN: Readonly<Record<string, string>> = {
  'user-name-needed': 'the first signature of a sitting takes user name and password',
  wrong: 'user name and password do not belong together, or the account is not in force',
  locked: 'the account is locked after too many tries',
  'must-change-password':
    'the password was given by an administrator; choose one of your own first',
  busy: 'too many passwords are being checked at this moment; try again',
};

/** What is told to whoever asked for a signature that was not made; null when it was. */
export function reviewProblem(
  answer: ReviewAnswer | { readonly kind: 'signed' },
  rowId: string,
): ReviewProblem | null {
  switch (answer.kind) {
    case 'signed':
      return null;
    case 'unknown':
      return { code: 'not-found', detail: `no result has the id ${rowId}`, extensions: {} };
    case 'not-proven': {
      const detail = NOT_PROVEN[answer.why] ?? answer.why;
      return { code: 'signature-not-proven', detail, extensions: { why: answer.why } };
    }
    case 'refused':
      return { code: answer.why, detail: answer.detail, extensions: {} };
  }
}
