import { drumsOf } from '../receipts/drum-numbers.store.js';
import { drumNumber } from '../receipts/label.js';
import { linksFrom } from '../receipts/lineage.store.js';
import type { Reader } from '../storage/database.js';
import type { ContainerRow, ReceiptRow } from '../storage/tables.js';
import { drumsAgainst } from './drums-against.store.js';
import type { DrumElsewhere } from './facts.js';
import { loadOrigins } from './lineage-facts.store.js';

/**
 * What speaks against the drums of a receipt elsewhere, by their GTINs and serial numbers: at a receipt that was cancelled,
 * or corrected, before they were announced under this one; at another under which one was scanned; or at none. What its
 * origins answer for, and what they went to since, is said by the links to those. Asks nothing where no container can have
 * such a number.
 */
export async function drumsElsewhere(
  reader: Reader,
  row: Pick<ReceiptRow, 'site' | 'id' | 'linked' | 'revision' | 'material'>,
  containers: readonly Pick<ContainerRow, 'label' | 'normalised'>[],
): Promise<DrumElsewhere[]> {
  const { site, id } = row;
  // A label that was printed anew, here or where it came from, may have hidden the number.
  const mayHaveMore = row.revision > 1 || row.linked === 1;
  if (!mayHaveMore && containers.every((c) => drumNumber(c.normalised) === null)) return [];
  const labels = new Map(containers.map(({ label, normalised }) => [normalised, label]));
  const labelOf = new Map<string, string>();
  for (const { key, number } of await drumsOf(reader, site, [id])) {
    const label = labels.get(key);
    if (label !== undefined) labelOf.set(number, label);
  }
  if (labelOf.size === 0) return [];
  const answered = row.linked === 0 ? [] : await answeredByLinks(reader, site, id);
  const except = new Set([id, ...answered]);
  const drums = { numbers: new Set(labelOf.keys()), material: row.material };
  const found = await drumsAgainst(reader, site, drums, except);
  return found.map(({ number, rejections, ...drum }) => ({
    ...drum,
    container: labelOf.get(number) ?? number,
    isRejected: rejections.length > 0,
  }));
}

async function answeredByLinks(reader: Reader, site: string, id: string): Promise<string[]> {
  const origins = await loadOrigins(reader, site, id);
  // What stays behind a rejected container goes on, and what is measured under that one's paper says nothing of it by a link.
  const went = (await linksFrom(reader, site, id)).filter(({ kind }) => kind !== 'split-off');
  return [...origins.flatMap(({ places }) => places), ...went.map((link) => link.to_receipt)];
}
