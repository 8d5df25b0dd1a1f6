import { Problem } from '../problem-details.js';
import { readSignedText } from './review-request.js';

/** What a reviewer of the trail asks for, beside what proves who they are. */
export interface TrailReviewRequest {
  /** Number of the last entry that was shown. */
  readonly last: number;
  /** SHA-256 of the document the signer was shown. */
  readonly shownSha256: string;
  readonly findings: string;
}

/** Characters of findings; longer ones belong into a record of their own, which the findings name. */
const FINDINGS_MAX = 4000;

/** @throws Problem `query-invalid` that names the field. */
export function readTrailReview(fields: Readonly<Record<string, unknown>>): {
  readonly review: TrailReviewRequest;
  readonly userName: string | null;
  readonly password: string;
} {
  const last = typeof fields['last'] === 'string' ? Number(fields['last']) : fields['last'];
  if (typeof last !== 'number' || !Number.isSafeInteger(last) || last < 0) {
    throw new Problem('query-invalid', 'last: expected the number of the last entry shown');
  }
  const { shownSha256, text, userName, password } = readSignedText(
    fields,
    'findings',
    FINDINGS_MAX,
  );
  return { review: { last, shownSha256, findings: text }, userName, password };
}
