import { valueAt } from '../delivery/answer-tree.js';
import { canonicalDigest } from '../formats/canonical-json.js';
import type { MappingDocument } from '../site/mapping-document.js';
import type { DestinationHoldingRow } from '../storage/tables.js';

type Held = Pick<
  DestinationHoldingRow,
  'reference' | 'message' | 'receipt_id' | 'subject' | 'revision' | 'item'
>;

/**
 * Digest of what a message that nothing accounts for says: kind, receipt, subject, revision and reference, and the fields that
 * the mapping in force compares of such a message. What a destination may change of a message that stays the same (whether
 * it is applied, when it was touched, who looked at it) is none of them, or an acknowledged stop would be found anew
 * by every sweep. Of a kind that the mapping does not compare the whole message counts, since nothing says what of
 * it is technical.
 */
export function contentOf(held: Held, messages: MappingDocument['messages']): string {
  const item = JSON.parse(held.item) as unknown;
  const compare = held.message === null ? null : messages[held.message]?.readBack?.compare;
  return canonicalDigest([
    held.message,
    held.receipt_id,
    held.subject,
    held.revision,
    held.reference,
    compare ? compare.map((field) => valueAt(item, field.held) ?? null) : item,
  ]);
}

/** Names another message that a destination lists under a number which the same sweep has seen already. */
export function secondIdentity(identity: string, content: string): string {
  return `${identity} ${content}`;
}

/** True for the name of a message and for the names of others under its number, see `secondIdentity`. */
export function isUnder(identity: string, number: string): boolean {
  return identity === number || identity.startsWith(`${number} `);
}
