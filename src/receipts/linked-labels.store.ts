import type { Reader } from '../storage/database.js';
import type { ReceiptLinkKind } from '../storage/tables.js';
import type { LinkDocument } from './lineage.js';
import { linksFrom, linksTo, relabelsOf } from './lineage.store.js';
import type { LinkedLabel } from './linked-labels.js';

/** Receipts linked to one, over any number of links, and what their containers are or were called. */
export interface LinkedLabels {
  readonly receiptIds: readonly string[];
  readonly labels: readonly LinkedLabel[];
}

/**
 * Labels that containers of the receipts linked to one have or had: of those that went from it or came to it, over any
 * number of links of these kinds. Its own are not among them, nor what its containers were called when they came to it.
 */
export async function linkedLabels(
  reader: Reader,
  site: string,
  receiptId: string,
  isFollowed: (kind: ReceiptLinkKind) => boolean,
): Promise<LinkedLabels> {
  const labels: LinkedLabel[] = [];
  const linked = new Set([receiptId]);
  // One after the other: a receipt has few links, and most have none. The set grows while it is walked.
  for (const id of linked) {
    const from = (await linksFrom(reader, site, id)).filter(({ kind }) => isFollowed(kind));
    const to = (await linksTo(reader, site, id)).filter(({ kind }) => isFollowed(kind));
    for (const { to_receipt: there, document } of from) {
      linked.add(there);
      if (there === receiptId) continue;
      const { containers } = JSON.parse(document) as LinkDocument;
      labels.push(...containers.map((label) => ({ receiptId: there, label })));
    }
    for (const { from_receipt: source } of to) linked.add(source);
  }
  linked.delete(receiptId);
  const others = [...linked];
  for (let i = 0; i < others.length; i += CHUNK) {
    const some = others.slice(i, i + CHUNK);
    const present = await reader
      .selectFrom('container')
      .select(['receipt_id as receiptId', 'label'])
      .where('site', '=', site)
      .where('receipt_id', 'in', some)
      .execute();
    const earlier = await relabelsOf(reader, site, some);
    labels.push(
      ...present,
      ...earlier.map((r) => ({ receiptId: r.receipt_id, label: r.old_label })),
    );
  }
  return { receiptIds: others, labels };
}

/** Values bound in one `in (…)`. */
const CHUNK = 1000;
