import type { Reader } from '../storage/database.js';
import type { ReceiptRow } from '../storage/tables.js';
import { saysTheSame } from './correct-expectation.js';
import { numbersListed } from './drum-numbers.store.js';
import { type ExpectationFault, fault, type ReceiptLine } from './expectation-line.js';
import { containerKey, drumNumber } from './label.js';
import { currentKey, relabelMap } from './lineage.js';
import { linksFrom, linksTo, receiptsListing, relabelsOf } from './lineage.store.js';
import type { RevisionDocument } from './receipt-rows.js';
import { findReceipts, hasResults, latestAnnouncement } from './receipts.store.js';

/** What stands against lines in what is stored already; nothing is changed. */
export async function findFaults(
  reader: Reader,
  site: string,
  lines: readonly ReceiptLine[],
  {
    byId,
    from,
  }: {
    readonly byId: ReadonlyMap<string, ReceiptRow>;
    /** Receipts whose containers these lines go on with. */
    readonly from: readonly string[];
  },
): Promise<ExpectationFault[]> {
  const faults: ExpectationFault[] = [];
  for (const line of lines) {
    const row = byId.get(line.receiptId);
    if (row !== undefined && row.status !== 'open') {
      faults.push(...(await closedFault(reader, row, line)));
    }
  }
  faults.push(...(await originFaults(reader, site, lines)));
  faults.push(...(await reprintFaults(reader, site, lines)));
  faults.push(...(await elsewhereFaults(reader, site, lines, new Set(from))));
  return faults;
}

/** A closed receipt stays as it is. Cancelled by mistake, it may come back as long as nothing was measured under it. */
async function closedFault(
  reader: Reader,
  row: ReceiptRow,
  line: ReceiptLine,
): Promise<ExpectationFault[]> {
  const text = await latestAnnouncement(reader, row.site, row.id);
  if (text !== null && saysTheSame((JSON.parse(text) as RevisionDocument).announced, line)) {
    return [];
  }
  if (row.status === 'cancelled' && !(await hasResults(reader, row.site, row.id))) return [];
  return [
    fault(
      0,
      'receipt_id',
      'receipt-closed',
      `receipt ${row.id} was ${row.status}`,
      'Announce what arrives under a receipt id and scan text of its own.',
    ),
  ];
}

async function originFaults(
  reader: Reader,
  site: string,
  lines: readonly ReceiptLine[],
): Promise<ExpectationFault[]> {
  const sources = [...new Set(lines.flatMap((line) => line.comesFrom?.receiptId ?? []))];
  if (sources.length === 0) return [];
  const known = await findReceipts(reader, site, sources);
  return sources
    .filter((id) => known.get(id)?.announced !== 1)
    .map((id) =>
      fault(
        0,
        'comes_from',
        'comes-from-unknown',
        `receipt ${id}, which containers are said to come from, was never announced`,
        'Announce that receipt first, or correct its id.',
      ),
    );
}

/** An earlier print and the present one of the same container in one list. */
async function reprintFaults(
  reader: Reader,
  site: string,
  lines: readonly ReceiptLine[],
): Promise<ExpectationFault[]> {
  const byReceipt = new Map(lines.map((line) => [line.receiptId, line]));
  const ids = [...byReceipt.keys()];
  const faults: ExpectationFault[] = [];
  for (let i = 0; i < ids.length; i += CHUNK) {
    const some = ids.slice(i, i + CHUNK);
    const relabels = await relabelsOf(reader, site, some);
    for (const id of new Set(relabels.map((r) => r.receipt_id))) {
      const next = relabelMap(relabels.filter((r) => r.receipt_id === id));
      const listed = new Set(byReceipt.get(id)?.containers.map(containerKey));
      for (const key of next.keys()) {
        if (!listed.has(key) || !listed.has(currentKey(next, key))) continue;
        faults.push(
          fault(
            0,
            'containers',
            'duplicate-label',
            `receipt ${id}: "${key}" was printed anew as "${currentKey(next, key)}"; both are listed`,
            'List the container once, by either label.',
          ),
        );
      }
    }
  }
  return faults;
}

const CHUNK = 1000;

/**
 * A GTIN with its serial number is one thing in the world: listed by two open receipts, one of them is wrong. Running
 * numbers recur from receipt to receipt and say nothing. What a receipt lists already is no news: two that list one drum since
 * before that was known hold up each other, and not every list that names one of them.
 */
async function elsewhereFaults(
  reader: Reader,
  site: string,
  lines: readonly ReceiptLine[],
  from: ReadonlySet<string>,
): Promise<ExpectationFault[]> {
  const owner = new Map<string, { readonly key: string; readonly receiptId: string }>();
  const faults: ExpectationFault[] = [];
  const before = await listedBefore(reader, site, lines, from);
  for (const line of lines) {
    for (const key of line.containers.map(containerKey)) {
      const number = drumNumber(key);
      if (number === null || before.get(line.receiptId)?.has(number)) continue;
      const other = owner.get(number)?.receiptId;
      if (other === undefined) owner.set(number, { key, receiptId: line.receiptId });
      else if (!isBackFrom(lines, line.receiptId, other)) {
        faults.push(elsewhere(key, line.receiptId, other));
      }
    }
  }
  const goesOn = new Set(from);
  for (const id of from) for (const before of await sourcesOf(reader, site, id)) goesOn.add(before);
  const named = new Map<string, ReadonlySet<string>>();
  for (const { receiptId, comesFrom } of lines) {
    if (comesFrom === undefined) continue;
    named.set(receiptId, new Set(await sourcesOf(reader, site, comesFrom.receiptId)));
  }
  const keys = [...owner.values()].map(({ key }) => key);
  const found = await receiptsListing(reader, site, keys, goesOn);
  for (const { receiptId, key } of found) {
    const mine = owner.get(drumNumber(key) ?? '')?.receiptId ?? '';
    if (receiptId === mine || isBackFrom(lines, mine, receiptId)) continue;
    if (named.get(mine)?.has(receiptId)) continue;
    if (!(await areLinked(reader, site, mine, receiptId))) {
      faults.push(elsewhere(key, mine, receiptId));
    }
    if (faults.length >= FAULTS_MAX) break;
  }
  return faults;
}

/** Numbers of the drums that each line lists to this day, or the receipts that it goes on from. */
async function listedBefore(
  reader: Reader,
  site: string,
  lines: readonly ReceiptLine[],
  from: ReadonlySet<string>,
): Promise<ReadonlyMap<string, ReadonlySet<string>>> {
  const found = new Map<string, ReadonlySet<string>>();
  const known = await findReceipts(
    reader,
    site,
    lines.map((line) => line.receiptId),
  );
  for (const { receiptId, containers } of lines) {
    // Most lines are new, or their labels are running numbers.
    const isAsked = containers.some((label) => drumNumber(label) !== null);
    const places = [...(known.has(receiptId) ? [receiptId] : []), ...from];
    if (!isAsked || places.length === 0) continue;
    const numbers = new Set<string>();
    for (const place of places) {
      for (const number of await numbersListed(reader, site, place)) numbers.add(number);
    }
    found.set(receiptId, numbers);
  }
  return found;
}

const FAULTS_MAX = 50;

function isBackFrom(lines: readonly ReceiptLine[], a: string, b: string): boolean {
  return lines.some(
    ({ receiptId, comesFrom }) =>
      (receiptId === a && comesFrom?.receiptId === b) ||
      (receiptId === b && comesFrom?.receiptId === a),
  );
}

/** What a receipt came from, over however many steps. */
async function sourcesOf(reader: Reader, site: string, receiptId: string): Promise<string[]> {
  return (await linksTo(reader, site, receiptId)).map((link) => link.from_receipt);
}

async function areLinked(reader: Reader, site: string, a: string, b: string): Promise<boolean> {
  const links = [...(await linksFrom(reader, site, a)), ...(await linksTo(reader, site, a))];
  return links.some((link) => link.from_receipt === b || link.to_receipt === b);
}

function elsewhere(key: string, mine: string, other: string): ExpectationFault {
  return fault(
    0,
    'containers',
    'label-elsewhere',
    `"${key}" of receipt ${mine} is listed by receipt ${other} already`,
    'Correct the list that is wrong; containers that come again name the receipt they come from.',
  );
}
