import { drumsOf, numbersListed } from '../receipts/drum-numbers.store.js';
import { isOfPart, keepsEvidence, type LinkDocument, printsOf } from '../receipts/lineage.js';
import {
  keepingLabels,
  leftBehind,
  linksFrom,
  linksTo,
  placesOfSource,
  refusalOf,
  relabelsOf,
} from '../receipts/lineage.store.js';
import { containersOf, findReceipts } from '../receipts/receipts.store.js';
import { rejectionsOf } from '../receipts/rejections.store.js';
import { isAsMade } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';
import { signaturesByIds, signaturesOf } from '../signatures/signatures.store.js';
import type { Reader } from '../storage/database.js';
import type { ContainerRejectionRow, ReceiptLinkRow, ReceiptRow } from '../storage/tables.js';
import { type DrumAgainst, drumsAgainst } from './drums-against.store.js';
import type { LineageFacts, OriginFact, OriginRejection } from './facts.js';
import { knownWhenSigned } from './origin-view.js';
import { againstAt, type PartAgainst, partsAgainst } from './parts-against.store.js';

/** A receipt that nothing came from or went to. */
const UNDIVIDED: LineageFacts = { origins: [], departures: [], scanTexts: [], places: [] };

/** Where containers of a receipt came from and went to; two queries and a few for each source, none where it is not linked. */
export async function loadLineage(reader: Reader, row: ReceiptRow): Promise<LineageFacts> {
  if (row.linked === 0) return UNDIVIDED;
  const came = await loadOrigins(reader, row.site, row.id);
  const went = await linksFrom(reader, row.site, row.id);
  const gone = await goneBefore(reader, row, came);
  const documents = came.flatMap(({ link, then }) => (keepsEvidence(link.kind) ? [then] : []));
  return {
    origins: came.map(({ origin }) => origin),
    departures: went.map((link) => ({
      receiptId: link.to_receipt,
      kind: link.kind,
      outcome: (JSON.parse(link.document) as LinkDocument).outcome,
    })),
    ...(gone.length === 0 ? {} : { gone }),
    scanTexts: documents.flatMap((d) => d.scanTexts),
    places: documents.flatMap((d) => d.places),
  };
}

/**
 * Containers that a receipt lists and that went elsewhere from one that it went on from, as returned or opened: those keep
 * their labels. Of what was repacked nobody can say which container it was, so that it holds up no part.
 */
async function goneBefore(
  reader: Reader,
  { site, id }: ReceiptRow,
  came: readonly LoadedOrigin[],
): Promise<NonNullable<LineageFacts['gone']>> {
  const sources = new Set(
    came.flatMap(({ origin }) => (keepsEvidence(origin.kind) ? [origin.receiptId] : [])),
  );
  // What came here by way of the receipt that it had gone to is back.
  const links = (await keepingLabels(reader, site, [...sources])).filter(
    ({ to_receipt: to }) => to !== id && !sources.has(to),
  );
  if (links.length === 0) return [];
  const relabels = await relabelsOf(reader, site, [id, ...sources]);
  const listed = await containersOf(reader, site, id);
  const gone: NonNullable<LineageFacts['gone']>[number][] = [];
  for (const { kind, to_receipt: receiptId, document } of links) {
    // More may have come there since it was announced.
    const there = await containersOf(reader, site, receiptId);
    const keys = new Set([
      ...(JSON.parse(document) as LinkDocument).containers,
      ...there.map(({ normalised }) => normalised),
    ]);
    const containers = listed
      .filter((c) => [...printsOf(relabels, c.normalised)].some((key) => keys.has(key)))
      .map(({ label }) => label);
    if (containers.length > 0) gone.push({ receiptId, kind, containers });
  }
  return gone;
}

/** A receipt that containers came from, as it was when they went and as it is now. */
export interface LoadedOrigin {
  readonly link: ReceiptLinkRow;
  readonly then: LinkDocument;
  /** Where stands what is known of it now: itself, and what went on from it where they began anew. */
  readonly places: readonly string[];
  /** Row ids of the results that speak against it there. */
  readonly against: readonly string[];
  /** Ids of the signatures that refuse its statement there. */
  readonly refusals: readonly string[];
  readonly origin: OriginFact;
}

/** Without what says less of a source than another link does, which named that source itself later. */
function withoutLess(links: readonly ReceiptLinkRow[]): ReceiptLinkRow[] {
  const whole = new Set(
    links.filter((l) => !keepsEvidence(l.kind) && !isOfPart(l)).map((l) => l.from_receipt),
  );
  return links.filter((link) => !isOfPart(link) || !whole.has(link.from_receipt));
}

/** What containers of a receipt came from, earliest first. */
export async function loadOrigins(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<LoadedOrigin[]> {
  const links = withoutLess(await linksTo(reader, site, receiptId));
  const acts = await loadActs(reader, site, receiptId, links);
  const named = new Set([receiptId, ...links.map((link) => link.from_receipt)]);
  const found: LoadedOrigin[] = [];
  for (const link of links) {
    const then = JSON.parse(link.document) as LinkDocument;
    const { from_receipt: from } = link;
    const goesOn = keepsEvidence(link.kind);
    const isAlone = goesOn || then.ofPart === true;
    // What is measured here is judged here, also where the rest of the source came here as well.
    const places = (
      isAlone ? [from] : await placesOfSource(reader, site, from, then.departed ?? [])
    ).filter((place) => place !== receiptId);
    const left = await leftBehind(reader, site, from);
    const drums = goesOn ? [] : await sameDrums(reader, site, places, named);
    const source = { source: from, scanTexts: then.scanTexts };
    const ofWhole = isAlone ? await partsAgainst(reader, site, receiptId, source) : [];
    const there = goesOn ? left.contrary : await againstIn(reader, site, places, drums);
    const against = [...new Set([...there, ...ofWhole.map(({ id }) => id)])];
    const wentAlong = new Set(then.wentAlong ?? wentAlongUnnamed(then, ofWhole));
    const known = new Set([...knownTo(acts, from, then), ...wentAlong]);
    // What goes on with its source was there when a container was rejected, or the source was closed.
    const rejected = goesOn
      ? []
      : [
          ...(await rejectedIn(reader, link, then, places, known)),
          ...rejectedElsewhere(drums, known),
        ];
    const refusals: Signature[] = [];
    for (const place of goesOn ? [] : places) {
      const refusal = await refusalOf(reader, site, place);
      if (refusal !== null) refusals.push(refusal);
    }
    // Links of earlier versions name none.
    const wasRefused = ({ id, at }: Signature) =>
      known.has(id) || (then.refusals === undefined && at <= link.at);
    found.push({
      link,
      then,
      places,
      against,
      refusals: refusals.map(({ id }) => id),
      origin: {
        receiptId: from,
        kind: link.kind,
        isSigned: link.signature_id !== null,
        outcome: then.outcome,
        hadStop: then.hadStop,
        refused: then.refused ?? false,
        disagreed: then.disagreed ?? false,
        // A merge takes all of it along, where it contradicts until its cause is signed anew.
        hadContrary: link.kind !== 'merged' && (then.hadContrary ?? false),
        contrarySince:
          then.contrary === undefined
            ? Math.max(0, against.filter((id) => !known.has(id)).length - link.known_contrary)
            : against.filter((id) => !known.has(id)).length,
        refusedSince: refusals.some((refusal) => !wasRefused(refusal)),
        rejected,
        // What went along is said by what the source was then.
        left: { ...left, contrary: against.filter((id) => !wentAlong.has(id)).length },
      },
    });
  }
  return found;
}

/**
 * What speaks against containers at these places, and against the same drums under receipts that nobody named. What goes on
 * with the evidence of its source has what a void signature took away as claims of its own.
 */
async function againstIn(
  reader: Reader,
  site: string,
  places: readonly string[],
  drums: readonly DrumAgainst[],
): Promise<string[]> {
  const found = await againstAt(reader, site, places);
  for (const { against } of drums) for (const id of against) found.add(id);
  return [...found];
}

/** What speaks against the drums that stand at these places, under receipts that nobody named. */
async function sameDrums(
  reader: Reader,
  site: string,
  places: readonly string[],
  named: ReadonlySet<string>,
): Promise<DrumAgainst[]> {
  const except = new Set([...places, ...named]);
  const found: DrumAgainst[] = [];
  const rows = await findReceipts(reader, site, places);
  for (const place of places) {
    const numbers = await numbersListed(reader, site, place);
    const material = rows.get(place)?.material ?? null;
    found.push(...(await drumsAgainst(reader, site, { numbers, material }, except)));
  }
  return found;
}

function rejectedElsewhere(
  drums: readonly DrumAgainst[],
  known: ReadonlySet<string>,
): OriginRejection[] {
  return drums.flatMap(({ rejections }) =>
    rejections.map(({ id, receipt_id: receiptId, container_label: container }) => ({
      id,
      receiptId,
      container,
      isHere: false,
      isSince: !known.has(id),
    })),
  );
}

async function rejectedIn(
  reader: Reader,
  link: ReceiptLinkRow,
  then: LinkDocument,
  places: readonly string[],
  known: ReadonlySet<string>,
): Promise<OriginRejection[]> {
  const { site, to_receipt: to } = link;
  const found: OriginRejection[] = [];
  for (const place of places) {
    for (const row of await rejectionsOf(reader, site, place)) {
      // A repacked container has labels of its own, which tell nothing of the one it came from.
      const isHere = link.kind !== 'repacked' && (await isListedAt(reader, site, to, row));
      const hadLeft = then.departed?.includes(row.split_off_to ?? '') ?? false;
      if (hadLeft && !isHere) continue;
      const { id, container_label: container } = row;
      found.push({ id, receiptId: place, container, isHere, isSince: !known.has(id) });
    }
  }
  return found;
}

/** True when a receipt lists a rejected container, under whatever label it carried before or since. */
async function isListedAt(
  reader: Reader,
  site: string,
  receiptId: string,
  rejection: ContainerRejectionRow,
): Promise<boolean> {
  const { receipt_id: from, split_off_to: to } = rejection;
  const went = to === null ? [from] : [from, to];
  const prints = printsOf(await relabelsOf(reader, site, went), rejection.container_key);
  const own = await relabelsOf(reader, site, [receiptId]);
  const listed = await containersOf(reader, site, receiptId);
  const there = (await drumsOf(reader, site, went)).filter(({ key }) => prints.has(key));
  const numbers = new Set(there.map(({ number }) => number));
  const here = (await drumsOf(reader, site, [receiptId])).filter((d) => numbers.has(d.number));
  const drums = new Set(here.map(({ key }) => key));
  return listed.some(
    ({ normalised }) =>
      drums.has(normalised) || [...printsOf(own, normalised)].some((key) => prints.has(key)),
  );
}

/** Links of earlier versions do not name what went along; where they say that anything did, it had come by then. */
function wentAlongUnnamed(then: LinkDocument, ofWhole: readonly PartAgainst[]): string[] {
  const isSaid = then.hadContrary || then.disagreed || then.outcome === 'does-not-conform';
  return isSaid ? ofWhole.filter(({ hadCome }) => hadCome).map(({ id }) => id) : [];
}

/** What acts about the origin of a receipt answered for: the ids of what was known then, by source. */
type Acts = readonly { readonly receiptId: string; readonly ids: readonly string[] }[];

async function loadActs(
  reader: Reader,
  site: string,
  receiptId: string,
  links: readonly ReceiptLinkRow[],
): Promise<Acts> {
  const ids = new Set(links.flatMap((link) => link.signature_id ?? []));
  if (ids.size === 0) return [];
  const signatures = [
    ...(await signaturesOf(reader, site, { kind: 'origin', id: receiptId })),
    // It may have come signed from the receipt it was split off.
    ...(await signaturesByIds(reader, site, [...ids])),
  ];
  return signatures.filter(isAsMade).flatMap(({ shown }) => knownWhenSigned(shown));
}

function knownTo(acts: Acts, receiptId: string, then: LinkDocument): ReadonlySet<string> {
  const answered = acts.filter((act) => act.receiptId === receiptId).flatMap(({ ids }) => ids);
  const { contrary = [], rejected = [], refusals = [] } = then;
  return new Set([...contrary, ...rejected, ...refusals, ...answered]);
}
