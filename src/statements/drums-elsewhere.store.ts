import { receiptsWithKeys } from '../receipts/drum-keys.store.js';
import { drumsAgainst } from '../receipts/drums-against.store.js';
import { isSerialKey } from '../receipts/label.js';
import { printsOf } from '../receipts/lineage.js';
import { linksFrom, relabelsOf } from '../receipts/lineage.store.js';
import type { Reader } from '../storage/database.js';
import type { ContainerRow, ReceiptRow } from '../storage/tables.js';
import type { DrumElsewhere } from './facts.js';
import { loadOrigins } from './lineage-facts.store.js';

/**
 * What speaks against the drums of a receipt at others that list them too, by their serial numbers: a receipt that was
 * cancelled and the one that they were announced under anew. What its origins answer for, and what they went to since, is
 * said by the links to those. Asks nothing where no container has such a label.
 */
export async function drumsElsewhere(
  reader: Reader,
  row: Pick<ReceiptRow, 'site' | 'id' | 'linked' | 'revision'>,
  containers: readonly Pick<ContainerRow, 'label' | 'normalised'>[],
): Promise<DrumElsewhere[]> {
  const { site, id } = row;
  // Printing a label anew is a revision.
  const relabels = row.revision > 1 ? await relabelsOf(reader, site, [id]) : [];
  const labelOf = new Map<string, string>();
  for (const { label, normalised } of containers) {
    for (const key of printsOf(relabels, normalised)) if (isSerialKey(key)) labelOf.set(key, label);
  }
  if (labelOf.size === 0) return [];
  const listed = (await receiptsWithKeys(reader, site, [...labelOf.keys()])).filter(
    ({ receiptId }) => receiptId !== id,
  );
  if (listed.length === 0) return [];
  const answered = new Set(row.linked === 0 ? [] : await answeredByLinks(reader, site, id));
  const others = listed.filter(({ receiptId }) => !answered.has(receiptId));
  return (await drumsAgainst(reader, site, others)).map(({ key, ...drum }) => ({
    ...drum,
    container: labelOf.get(key) ?? key,
  }));
}

async function answeredByLinks(reader: Reader, site: string, id: string): Promise<string[]> {
  const origins = await loadOrigins(reader, site, id);
  const went = await linksFrom(reader, site, id);
  return [...origins.flatMap(({ places }) => places), ...went.map((link) => link.to_receipt)];
}
