import { keepsEvidence, type LinkDocument } from '../receipts/lineage.js';
import { leftBehind, linksFrom, linksTo } from '../receipts/lineage.store.js';
import type { Reader } from '../storage/database.js';
import type { ReceiptRow } from '../storage/tables.js';
import { contraryTakenBack } from './attribution-facts.store.js';
import type { LineageFacts } from './facts.js';

/** A receipt that nothing came from or went to. */
const UNDIVIDED: LineageFacts = { origins: [], departures: [], scanTexts: [], places: [] };

/** Where containers of a receipt came from and went to; two queries and a few for each source, none where it is not linked. */
export async function loadLineage(reader: Reader, row: ReceiptRow): Promise<LineageFacts> {
  if (row.linked === 0) return UNDIVIDED;
  const came = await linksTo(reader, row.site, row.id);
  const origins: LineageFacts['origins'][number][] = [];
  const documents: LinkDocument[] = [];
  for (const link of came) {
    const then = JSON.parse(link.document) as LinkDocument;
    if (keepsEvidence(link.kind)) documents.push(then);
    const left = await leftBehind(reader, row.site, link.from_receipt);
    // What goes on with the evidence of its source has these as claims of its own.
    const back = keepsEvidence(link.kind)
      ? []
      : await contraryTakenBack(reader, row.site, link.from_receipt);
    const contrary = [...left.contrary, ...back];
    origins.push({
      receiptId: link.from_receipt,
      kind: link.kind,
      isSigned: link.signature_id !== null,
      outcome: then.outcome,
      hadStop: then.hadStop,
      contrarySince: contrarySince(contrary, then.contrary ?? null, link.known_contrary),
      left: { ...left, contrary: contrary.length },
    });
  }
  const went = await linksFrom(reader, row.site, row.id);
  return {
    origins,
    departures: went.map((link) => ({
      receiptId: link.to_receipt,
      kind: link.kind,
      outcome: (JSON.parse(link.document) as LinkDocument).outcome,
    })),
    scanTexts: documents.flatMap((d) => d.scanTexts),
    places: documents.flatMap((d) => d.places),
  };
}

/** One may have left and another come: where it is known which ones stood there, their number says nothing. */
function contrarySince(now: readonly string[], then: readonly string[] | null, number: number) {
  return then === null
    ? Math.max(0, now.length - number)
    : now.filter((id) => !then.includes(id)).length;
}
