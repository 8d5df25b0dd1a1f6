import { parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import type { InspectionReport } from '../receipts/inspection-view.js';
import { CONTAINERS_MAX } from '../receipts/receipt-bounds.js';
import type { Signature } from '../signatures/signature.js';
import { INSPECTED_ATTRIBUTES } from '../site/vocabulary.js';
import type { NotSigned } from './review-answer.js';
import {
  type Investigated,
  REASON_MAX,
  readInvestigated,
  readSignedText,
} from './review-request.js';

const NAME_MAX = 100;
const ID_MAX = 100;

type Fields = Readonly<Record<string, unknown>>;

export interface InspectionRequest {
  /** SHA-256 of what the signer was shown. */
  readonly shownSha256: string;
  readonly report: InspectionReport;
  readonly reason: string;
}

/** An inspection that was entered. */
export interface Reported {
  readonly kind: 'signed';
  readonly signature: Signature;
  readonly inspectionId: string;
}

export type InspectionAnswer = Reported | NotSigned;

/** Lifts a count that was entered wrongly. */
export interface InspectionLiftRequest extends Investigated {
  readonly inspectionId: string;
}

export type InspectionLiftAnswer =
  | { readonly kind: 'signed'; readonly signature: Signature }
  | NotSigned;

/**
 * A count as it is entered, with what proves its signer.
 *
 * @throws Problem `query-invalid` that names the field
 */
export function readInspection(fields: Fields): {
  readonly request: InspectionRequest;
  readonly userName: string | null;
  readonly password: string;
} {
  const signed = readSignedText(fields, 'reason', REASON_MAX);
  const { shownSha256, text: reason, userName, password } = signed;
  return { request: { shownSha256, reason, report: readReport(fields) }, userName, password };
}

/**
 * A count that somebody wants lifted, with what proves its signer.
 *
 * @throws Problem `query-invalid` that names the field
 */
export function readInspectionLift(fields: Fields): {
  readonly request: InspectionLiftRequest;
  readonly userName: string | null;
  readonly password: string;
} {
  const inspectionId = readInspectionId(fields['inspection']);
  const { investigated, userName, password } = readInvestigated(fields);
  return { request: { inspectionId, ...investigated }, userName, password };
}

/** @throws Problem `query-invalid` for what is no id of a count */
export function readInspectionId(id: unknown): string {
  if (typeof id === 'string' && id !== '' && id.length <= ID_MAX) return id;
  throw new Problem('query-invalid', 'inspection: expected the id of a count of the receipt');
}

function readReport(fields: Fields): InspectionReport {
  const attribute = INSPECTED_ATTRIBUTES.find((one) => one === fields['attribute']);
  if (attribute === undefined) {
    throw new Problem('query-invalid', `attribute: expected ${INSPECTED_ATTRIBUTES.join(' or ')}`);
  }
  return {
    attribute,
    inspected: readCount(fields, 'inspected', 1),
    nonconforming: readCount(fields, 'nonconforming', 0),
    inspectedBy: readName(fields, 'inspectedBy'),
    inspectedAt: readTime(fields, 'inspectedAt'),
  };
}

function readCount(fields: Fields, name: string, least: number): number {
  const count = fields[name];
  if (
    typeof count === 'number' &&
    Number.isInteger(count) &&
    count >= least &&
    count <= CONTAINERS_MAX
  ) {
    return count;
  }
  const expected = `expected a whole number of containers, ${least} to ${CONTAINERS_MAX}`;
  throw new Problem('query-invalid', `${name}: ${expected}`);
}

function readName(fields: Fields, name: string): string {
  const text = fields[name];
  const given = typeof text === 'string' ? text.trim() : '';
  if (given !== '' && given.length <= NAME_MAX && !/\p{C}/u.test(given)) return given;
  throw new Problem('query-invalid', `${name}: expected who looked, 1 to ${NAME_MAX} characters`);
}

function readTime(fields: Fields, name: string): InspectionReport['inspectedAt'] {
  const text = fields[name];
  const parsed = typeof text === 'string' ? parseTimestamp(text) : null;
  if (typeof text === 'string' && parsed) return { text, instant: parsed.instant };
  throw new Problem(
    'query-invalid',
    `${name}: expected a date-time with offset such as 2026-07-01T09:30:00+01:00`,
  );
}
