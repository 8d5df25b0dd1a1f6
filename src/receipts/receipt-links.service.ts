import type { Trx } from '../storage/database.js';
import type { ReceiptLinkKind } from '../storage/tables.js';
import { keepsEvidence, type LinkDocument } from './lineage.js';
import { insertLink, leftBehind, linksTo, standingOf } from './lineage.store.js';
import type { By } from './receipt-revision.service.js';
import { announcedPlaces, findReceipts } from './receipts.store.js';

export interface NewLink {
  readonly kind: ReceiptLinkKind;
  readonly from: string;
  readonly to: string;
  /** Keys of the containers that go. */
  readonly containers: readonly string[];
  readonly reason: string;
}

/**
 * Stores that containers go from one receipt to another, with what the source is at this moment; both are locked, and
 * the source was just evaluated. What splits or merges goes on from everything its source came from: those links are
 * stored for it as well, so that a question needs to look one step back only.
 */
export async function linkReceipts(trx: Trx, site: string, link: NewLink, by: By): Promise<void> {
  const row = (await findReceipts(trx, site, [link.from])).get(link.from);
  if (!row) throw new Error(`receipt ${link.from} is not known`);
  const goesOn = keepsEvidence(link.kind);
  const before = (await linksTo(trx, site, link.from)).filter(({ kind }) => keepsEvidence(kind));
  const documents = before.map(({ document }) => JSON.parse(document) as LinkDocument);
  const standing = await standingOf(trx, site, link.from);
  const { contrary } = await leftBehind(trx, site, link.from);
  const document: LinkDocument = {
    ...standing,
    scanTexts: [...new Set([row.scan_text, ...documents.flatMap((d) => d.scanTexts)])],
    places: [
      ...(await announcedPlaces(trx, site, link.from)),
      ...documents.flatMap((d) => d.places),
    ],
    containers: link.containers,
    contrary,
  };
  const common = { site, to_receipt: link.to, actor: by.actor.name, at: by.now };
  await insertLink(trx, {
    ...common,
    kind: link.kind,
    from_receipt: link.from,
    document: JSON.stringify(document),
    known_contrary: contrary.length,
    reason: link.reason,
    signature_id: null,
  });
  if (!goesOn) return;
  const held = new Set((await linksTo(trx, site, link.to)).map((l) => l.from_receipt));
  for (const [i, earlier] of before.entries()) {
    if (held.has(earlier.from_receipt)) continue;
    await insertLink(trx, {
      ...common,
      kind: earlier.kind,
      from_receipt: earlier.from_receipt,
      document: JSON.stringify({ ...documents[i], containers: link.containers }),
      known_contrary: earlier.known_contrary,
      reason: earlier.reason,
      signature_id: earlier.signature_id,
    });
  }
}
