import { keepsEvidence, type LinkDocument } from '../receipts/lineage.js';
import {
  leftBehind,
  linksFrom,
  linksTo,
  placesOfSource,
  resultsAgainst,
} from '../receipts/lineage.store.js';
import { rejectionsOf } from '../receipts/rejections.store.js';
import type { Reader } from '../storage/database.js';
import type { ReceiptLinkRow, ReceiptRow } from '../storage/tables.js';
import { contraryTakenBack } from './attribution-facts.store.js';
import type { LineageFacts, OriginFact, OriginRejection } from './facts.js';

/** A receipt that nothing came from or went to. */
const UNDIVIDED: LineageFacts = { origins: [], departures: [], scanTexts: [], places: [] };

/** Where containers of a receipt came from and went to; two queries and a few for each source, none where it is not linked. */
export async function loadLineage(reader: Reader, row: ReceiptRow): Promise<LineageFacts> {
  if (row.linked === 0) return UNDIVIDED;
  const came = await loadOrigins(reader, row.site, row.id);
  const went = await linksFrom(reader, row.site, row.id);
  const documents = came.flatMap(({ link, then }) => (keepsEvidence(link.kind) ? [then] : []));
  return {
    origins: came.map(({ origin }) => origin),
    departures: went.map((link) => ({
      receiptId: link.to_receipt,
      kind: link.kind,
      outcome: (JSON.parse(link.document) as LinkDocument).outcome,
    })),
    scanTexts: documents.flatMap((d) => d.scanTexts),
    places: documents.flatMap((d) => d.places),
  };
}

/** A receipt that containers came from, as it was when they went and as it is now. */
export interface LoadedOrigin {
  readonly link: ReceiptLinkRow;
  readonly then: LinkDocument;
  /** Where stands what is known of it now: itself, and what went on from it where they began anew. */
  readonly places: readonly string[];
  readonly origin: OriginFact;
}

/** What containers of a receipt came from, earliest first. */
export async function loadOrigins(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<LoadedOrigin[]> {
  const found: LoadedOrigin[] = [];
  for (const link of await linksTo(reader, site, receiptId)) {
    const then = JSON.parse(link.document) as LinkDocument;
    const { from_receipt: from } = link;
    const goesOn = keepsEvidence(link.kind);
    const isAlone = goesOn || then.ofPart === true;
    const places = isAlone ? [from] : await placesOfSource(reader, site, from, then.departed ?? []);
    const left = await leftBehind(reader, site, from);
    const contrary = goesOn ? left.contrary : await againstIn(reader, site, places);
    found.push({
      link,
      then,
      places,
      origin: {
        receiptId: from,
        kind: link.kind,
        isSigned: link.signature_id !== null,
        outcome: then.outcome,
        hadStop: then.hadStop,
        refused: then.refused ?? false,
        disagreed: then.disagreed ?? false,
        contrarySince: contrarySince(contrary, then.contrary ?? null, link.known_contrary),
        // What goes on with its source was there when a container was rejected, or the source was closed.
        rejected: goesOn ? [] : await rejectedIn(reader, link, then, places),
        left: { ...left, contrary: contrary.length },
      },
    });
  }
  return found;
}

/** What goes on with the evidence of its source has what a void signature took away as claims of its own. */
async function againstIn(
  reader: Reader,
  site: string,
  places: readonly string[],
): Promise<string[]> {
  const found = new Set(await resultsAgainst(reader, site, places));
  for (const place of places) {
    for (const id of await contraryTakenBack(reader, site, place)) found.add(id);
  }
  return [...found];
}

async function rejectedIn(
  reader: Reader,
  link: ReceiptLinkRow,
  then: LinkDocument,
  places: readonly string[],
): Promise<OriginRejection[]> {
  const found: OriginRejection[] = [];
  for (const place of places) {
    for (const row of await rejectionsOf(reader, link.site, place)) {
      // A repacked container has labels of its own, which tell nothing of the one it came from.
      const isHere = link.kind !== 'repacked' && then.containers.includes(row.container_key);
      const hadLeft = then.departed?.includes(row.split_off_to ?? '') ?? false;
      if (hadLeft && !isHere) continue;
      found.push({
        receiptId: place,
        container: row.container_label,
        isHere,
        isSince: !(then.rejected ?? []).includes(row.id),
      });
    }
  }
  return found;
}

/** One may have left and another come: where it is known which ones stood there, their number says nothing. */
function contrarySince(now: readonly string[], then: readonly string[] | null, number: number) {
  return then === null
    ? Math.max(0, now.length - number)
    : now.filter((id) => !then.includes(id)).length;
}
