import { type ListedDrum, receiptsOfDrums } from '../receipts/drum-numbers.store.js';
import { containerKey } from '../receipts/label.js';
import { printsOf } from '../receipts/lineage.js';
import {
  type ResultAgainst,
  relabelsOf,
  resultsAgainst,
  resultsOfDrums,
} from '../receipts/lineage.store.js';
import { rejectionsOf } from '../receipts/rejections.store.js';
import type { Reader } from '../storage/database.js';
import type { ContainerRejectionRow } from '../storage/tables.js';
import { speaksAgainst } from './attribution.js';
import { contraryTakenBack, loadAttributions } from './attribution-facts.store.js';

/** What speaks against one drum at a receipt that lists it, or under which it was scanned. */
export interface DrumAgainst {
  readonly number: string;
  /** null of what has no receipt. */
  readonly receiptId: string | null;
  /** True when that receipt lists or listed the drum; else it was only scanned there. */
  readonly isListed: boolean;
  /** Row ids of results there that are about it, or name no container. */
  readonly against: readonly string[];
  readonly rejections: readonly ContainerRejectionRow[];
}

export interface Drums {
  readonly numbers: ReadonlySet<string>;
  /** What they should hold; null where nobody said. */
  readonly material: string | null;
}

/**
 * What speaks against drums of these numbers, which hold this material, but for what stands at some receipts: where they are or were listed, by any
 * label that they carried; and wherever else one was scanned, unless a signature in force says that something else was
 * measured.
 */
export async function drumsAgainst(
  reader: Reader,
  site: string,
  { numbers, material }: Drums,
  except: ReadonlySet<string>,
): Promise<DrumAgainst[]> {
  if (numbers.size === 0) return [];
  const listed = (await receiptsOfDrums(reader, site, numbers)).filter(
    (drum) => !except.has(drum.receipt_id),
  );
  const found = await whereListed(reader, site, listed);
  const known = new Set(found.flatMap(({ against }) => against));
  const scanned = (await resultsOfDrums(reader, site, numbers)).filter(
    (row) =>
      !known.has(row.id) &&
      !(row.receipt_id !== null && except.has(row.receipt_id)) &&
      (row.names_another === 1 || speaksAgainst(row, material)),
  );
  const ids = scanned.map(({ id }) => id);
  const attributions = await loadAttributions(reader, site, ids);
  for (const { id, receipt_id: receiptId, drum_number: number } of scanned) {
    if (number === null || attributions.get(id)?.isValid) continue;
    found.push({ number, receiptId, isListed: false, against: [id], rejections: [] });
  }
  return found;
}

async function whereListed(
  reader: Reader,
  site: string,
  listed: readonly ListedDrum[],
): Promise<DrumAgainst[]> {
  const found: DrumAgainst[] = [];
  for (const receiptId of new Set(listed.map((drum) => drum.receipt_id))) {
    const results = await resultsThere(reader, site, receiptId);
    const rejected = await rejectionsOf(reader, site, receiptId);
    if (results.length + rejected.length === 0) continue;
    const relabels = await relabelsOf(reader, site, [receiptId]);
    const here = listed.filter((drum) => drum.receipt_id === receiptId);
    for (const number of new Set(here.map((drum) => drum.number))) {
      const prints = new Set(
        here.filter((d) => d.number === number).flatMap((d) => [...printsOf(relabels, d.key)]),
      );
      const against = results
        .filter(({ container }) => container === null || prints.has(containerKey(container)))
        .map((result) => result.id);
      const rejections = rejected.filter((rejection) => prints.has(rejection.container_key));
      if (against.length + rejections.length === 0) continue;
      found.push({ number, receiptId, isListed: true, against, rejections });
    }
  }
  return found;
}

/** What speaks against a receipt, with what a signature took from it that is void. */
async function resultsThere(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<Pick<ResultAgainst, 'id' | 'container'>[]> {
  const results = await resultsAgainst(reader, site, [receiptId]);
  const back = await contraryTakenBack(reader, site, receiptId);
  return [...results, ...back];
}
