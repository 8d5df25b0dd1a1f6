import type { Trx } from '../storage/database.js';
import type { ReceiptLinkKind, ReceiptLinkRow } from '../storage/tables.js';
import { isOfPart, keepsEvidence, type LinkDocument } from './lineage.js';
import {
  departedFrom,
  insertLink,
  leftBehind,
  linksFrom,
  linksTo,
  placesOfSource,
  resultsAgainst,
  type Standing,
  standingOf,
} from './lineage.store.js';
import type { By } from './receipt-revision.service.js';
import { announcedPlaces, findReceipts } from './receipts.store.js';
import { rejectionsOf } from './rejections.store.js';

export interface NewLink {
  readonly kind: ReceiptLinkKind;
  readonly from: string;
  readonly to: string;
  /** Keys of the containers that go. */
  readonly containers: readonly string[];
  readonly reason: string;
  /** The recheck disagreed with a result of the source, before its results went along. */
  readonly disagreed?: boolean;
  /** A contrary result was of the source, before it was split. */
  readonly hadContrary?: boolean;
  /** Row ids of the results that spoke against the source, before it was split. */
  readonly wentAlong?: readonly string[];
  /** Sources of a merge's parts that no signed act answers for in one of them, whatever was signed for the others. */
  readonly unanswered?: ReadonlySet<string>;
}

/**
 * Stores that containers go from one receipt to another, with what the source is at this moment; both are locked, and
 * the source was just evaluated. They come from everything their source came from too: those links are stored for them
 * as well, so that a question needs to look one step back only. What waits for a signed act would be rid of it otherwise
 * by being split, or by coming once more.
 *
 * @returns receipts that came of the one they go to, which come from this source now too: locked by the caller before
 */
export async function linkReceipts(
  trx: Trx,
  site: string,
  link: NewLink,
  by: By,
): Promise<readonly string[]> {
  const goesOn = keepsEvidence(link.kind);
  const before = (await linksTo(trx, site, link.from)).map((earlier) => ({
    ...earlier,
    stood: JSON.parse(earlier.document) as LinkDocument,
  }));
  const kept = before.filter(({ kind }) => keepsEvidence(kind));
  const document = await documentOf(trx, site, link, kept);
  const common = { site, actor: by.actor.name, at: by.now };
  const inserted: Omit<ReceiptLinkRow, 'id'>[] = [
    {
      ...common,
      kind: link.kind,
      from_receipt: link.from,
      to_receipt: link.to,
      document: JSON.stringify(document),
      known_contrary: document.contrary?.length ?? 0,
      reason: link.reason,
      signature_id: null,
    },
  ];
  const held = await linksTo(trx, site, link.to);
  for (const earlier of before) {
    const { from_receipt: source } = earlier;
    if (source === link.to) continue;
    // What was rejected never conforms, which its own link says already.
    if (!goesOn && earlier.kind === 'split-off') continue;
    const wasPart = !goesOn && keepsEvidence(earlier.kind);
    const stood = { ...earlier.stood, containers: link.containers };
    const row = {
      from_receipt: source,
      // What begins anew has nothing of what was measured at any of them.
      kind: goesOn ? earlier.kind : link.kind,
      document: JSON.stringify(wasPart ? { ...stood, ofPart: true } : stood),
    };
    if (isSaid(held, row)) continue;
    inserted.push({
      ...common,
      ...row,
      to_receipt: link.to,
      known_contrary: earlier.known_contrary,
      reason: earlier.reason,
      signature_id: link.unanswered?.has(earlier.from_receipt) ? null : earlier.signature_id,
    });
  }
  for (const row of inserted) await insertLink(trx, row);
  return linkFurther(trx, site, link.to, inserted);
}

type SaysFrom = Pick<ReceiptLinkRow, 'from_receipt' | 'kind' | 'document'>;

/**
 * True when links say already what another one would. One that a receipt knows by way of a part only says less than the source
 * itself; and what was repacked of a source and is merged with it comes from there in two ways.
 */
function isSaid(held: readonly SaysFrom[], row: SaysFrom): boolean {
  return held.some(
    (link) =>
      link.from_receipt === row.from_receipt &&
      keepsEvidence(link.kind) === keepsEvidence(row.kind) &&
      (isOfPart(row) || !isOfPart(link)),
  );
}

/** Stores for what came of a receipt that it comes from these sources too, which were named after it had come. */
async function linkFurther(
  trx: Trx,
  site: string,
  receiptId: string,
  links: readonly Omit<ReceiptLinkRow, 'id'>[],
): Promise<readonly string[]> {
  const reached = new Set<string>();
  for (const later of await linksFrom(trx, site, receiptId)) {
    const { to_receipt: to } = later;
    const { containers } = JSON.parse(later.document) as LinkDocument;
    const held: SaysFrom[] = [...(await linksTo(trx, site, to))];
    for (const row of links) {
      const stood = JSON.parse(row.document) as LinkDocument;
      const further: Omit<ReceiptLinkRow, 'id'> = {
        ...row,
        // What went on from it begins anew from the source, as it does; what began anew from it does so once more.
        kind: keepsEvidence(later.kind) ? row.kind : later.kind,
        to_receipt: to,
        // It may have come before anything departed from there.
        document: JSON.stringify({ ...stood, containers, departed: [] }),
      };
      if (row.from_receipt === to || isSaid(held, further)) continue;
      held.push(further);
      await insertLink(trx, further);
      reached.add(to);
    }
  }
  return [...reached];
}

/** What the source of a link is now. */
async function documentOf(
  trx: Trx,
  site: string,
  link: NewLink,
  kept: readonly { readonly stood: LinkDocument }[],
): Promise<LinkDocument> {
  const rows = await findReceipts(trx, site, [link.from, link.to]);
  const row = rows.get(link.from);
  if (!row) throw new Error(`receipt ${link.from} is not known`);
  const goesOn = keepsEvidence(link.kind);
  // Named late, they may have come before anything departed from there.
  const isNew = rows.get(link.to)?.revision === 1;
  const departed = isNew ? await departedFrom(trx, site, link.from) : [];
  // What begins anew from a receipt that was split or merged comes of one of those it went on as: nobody says which.
  const places = goesOn ? [link.from] : await placesOfSource(trx, site, link.from, departed);
  const standings: Standing[] = [];
  const rejected: string[] = [];
  for (const place of places) {
    standings.push(await standingOf(trx, site, place));
    rejected.push(...(await rejectionsOf(trx, site, place)).map(({ id }) => id));
  }
  const isContradicted = standings.some((s) => s.outcome === 'does-not-conform');
  return {
    outcome: isContradicted ? 'does-not-conform' : (standings[0]?.outcome ?? null),
    hadStop: standings.some((s) => s.hadStop),
    refused: standings.some((s) => s.refusal !== null),
    refusals: standings.flatMap((s) => s.refusal?.id ?? []),
    disagreed: link.disagreed ?? false,
    hadContrary: link.hadContrary ?? false,
    ...(link.wentAlong === undefined ? {} : { wentAlong: link.wentAlong }),
    scanTexts: [...new Set([row.scan_text, ...kept.flatMap(({ stood }) => stood.scanTexts)])],
    places: [
      ...(await announcedPlaces(trx, site, link.from)),
      ...kept.flatMap(({ stood }) => stood.places),
    ],
    containers: link.containers,
    contrary: goesOn
      ? (await leftBehind(trx, site, link.from)).contrary
      : (await resultsAgainst(trx, site, places)).map(({ id }) => id),
    rejected,
    departed,
  };
}
