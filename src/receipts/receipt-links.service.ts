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
  /** Sources of a merge's parts that no signed act answers for in one of them, whatever was signed for the others. */
  readonly unanswered?: ReadonlySet<string>;
}

/**
 * Stores that containers go from one receipt to another, with what the source is at this moment; both are locked, and
 * the source was just evaluated. They come from everything their source came from too: those links are stored for them
 * as well, so that a question needs to look one step back only. What waits for a signed act would be rid of it otherwise
 * by being split, or by coming once more.
 */
export async function linkReceipts(trx: Trx, site: string, link: NewLink, by: By): Promise<void> {
  const row = (await findReceipts(trx, site, [link.from])).get(link.from);
  if (!row) throw new Error(`receipt ${link.from} is not known`);
  const goesOn = keepsEvidence(link.kind);
  const before = (await linksTo(trx, site, link.from)).map((earlier) => ({
    ...earlier,
    stood: JSON.parse(earlier.document) as LinkDocument,
  }));
  const kept = before.filter(({ kind }) => keepsEvidence(kind));
  const standing = await standingOf(trx, site, link.from);
  const { contrary } = await leftBehind(trx, site, link.from);
  const document: LinkDocument = {
    ...standing,
    scanTexts: [...new Set([row.scan_text, ...kept.flatMap(({ stood }) => stood.scanTexts)])],
    places: [
      ...(await announcedPlaces(trx, site, link.from)),
      ...kept.flatMap(({ stood }) => stood.places),
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
  const held = new Set((await linksTo(trx, site, link.to)).map((l) => l.from_receipt));
  for (const earlier of before) {
    if (held.has(earlier.from_receipt)) continue;
    // What was rejected never conforms, which its own link says already.
    if (!goesOn && earlier.kind === 'split-off') continue;
    await insertLink(trx, {
      ...common,
      // What begins anew has nothing of what was measured at any of them.
      kind: goesOn ? earlier.kind : link.kind,
      from_receipt: earlier.from_receipt,
      document: JSON.stringify({ ...earlier.stood, containers: link.containers }),
      known_contrary: earlier.known_contrary,
      reason: earlier.reason,
      signature_id: link.unanswered?.has(earlier.from_receipt) ? null : earlier.signature_id,
    });
  }
}
