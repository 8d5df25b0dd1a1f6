import type { Reader } from '../storage/database.js';
import type { ContainerRow } from '../storage/tables.js';
import { type ListedKey, receiptsWithKeys } from './drum-keys.store.js';
import { containerKey, isSerialKey } from './label.js';
import { printsOf } from './lineage.js';
import { relabelsOf, resultsAgainst } from './lineage.store.js';
import { rejectionsOf } from './rejections.store.js';

/** What speaks against one drum at a receipt that lists it. */
export interface DrumAgainst extends ListedKey {
  /** Row ids of results there that are about it, or name no container. */
  readonly against: readonly string[];
  readonly isRejected: boolean;
}

/** Of these keys at their receipts those that something speaks against there, by any label that the container carried. */
export async function drumsAgainst(
  reader: Reader,
  site: string,
  listed: readonly ListedKey[],
): Promise<DrumAgainst[]> {
  const found: DrumAgainst[] = [];
  for (const receiptId of new Set(listed.map((one) => one.receiptId))) {
    const results = await resultsAgainst(reader, site, [receiptId]);
    const rejections = await rejectionsOf(reader, site, receiptId);
    if (results.length + rejections.length === 0) continue;
    const relabels = await relabelsOf(reader, site, [receiptId]);
    for (const { key } of listed.filter((one) => one.receiptId === receiptId)) {
      const prints = printsOf(relabels, key);
      const against = results
        .filter(({ container }) => container === null || prints.has(containerKey(container)))
        .map((result) => result.id);
      const isRejected = rejections.some((rejection) => prints.has(rejection.container_key));
      if (against.length > 0 || isRejected) found.push({ receiptId, key, against, isRejected });
    }
  }
  return found;
}

/** Row ids of the results that speak against these containers at other receipts that list them by their serial numbers. */
export async function againstSameDrums(
  reader: Reader,
  site: string,
  containers: readonly Pick<ContainerRow, 'normalised'>[],
  except: ReadonlySet<string>,
): Promise<string[]> {
  const keys = containers.map(({ normalised }) => normalised).filter(isSerialKey);
  const listed = await receiptsWithKeys(reader, site, keys);
  const elsewhere = listed.filter(({ receiptId }) => !except.has(receiptId));
  return (await drumsAgainst(reader, site, elsewhere)).flatMap(({ against }) => against);
}
