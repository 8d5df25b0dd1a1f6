import { Problem } from '../problem-details.js';
import { LABEL_LENGTH_MAX } from '../receipts/label.js';
import type { AttributionProposal } from './attribution-view.js';
import { REASON_MAX } from './review-request.js';

const REASON_MIN = 3;
const NAME_MAX = 200;

type Fields = Readonly<Record<string, unknown>>;

/**
 * What somebody says about where a result belongs, and what the labels show.
 *
 * @throws Problem `query-invalid` that names the field.
 */
export function readProposal(fields: Fields): AttributionProposal {
  const lot = textOf(fields, 'seenLot', 0, LABEL_LENGTH_MAX, 'the lot that the label shows');
  return {
    receiptId: textOf(fields, 'receiptId', 1, LABEL_LENGTH_MAX, 'the receipt it belongs to'),
    seen: {
      receipt: textOf(fields, 'seenReceipt', 1, LABEL_LENGTH_MAX, 'what the receipt label shows'),
      container: textOf(fields, 'seenContainer', 1, LABEL_LENGTH_MAX, 'what the container shows'),
      lot: lot === '' ? null : lot,
      seenBy: textOf(fields, 'seenBy', 1, NAME_MAX, 'who looked at the labels'),
    },
    reason: textOf(fields, 'reason', REASON_MIN, REASON_MAX, 'why it belongs there'),
  };
}

/** What a command gives to prove who proposes. */
export function readProposer(fields: Fields): {
  readonly userName: string;
  readonly password: string;
} {
  return {
    userName: textOf(fields, 'userName', 1, NAME_MAX, 'the user name of the proposer'),
    // As it was typed: blanks at its ends are part of it.
    password: typeof fields['password'] === 'string' ? fields['password'] : '',
  };
}

function textOf(fields: Fields, name: string, min: number, max: number, what: string): string {
  const value = fields[name] ?? '';
  const text = typeof value === 'string' ? value.trim() : null;
  if (text !== null && text.length >= min && text.length <= max) return text;
  throw new Problem('query-invalid', `${name}: expected ${what}, ${min} to ${max} characters`);
}
