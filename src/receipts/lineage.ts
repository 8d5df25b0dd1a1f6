import type { Instant } from '../formats/instant.js';
import type { ReceiptLinkKind } from '../storage/tables.js';

/** What a receipt was when containers of it went to another one. */
export interface LinkDocument {
  /** Of its statement then; null when none was stored. */
  readonly outcome: string | null;
  readonly hadStop: boolean;
  /** Texts its results may have been scanned under: its own and those of what it came from. */
  readonly scanTexts: readonly string[];
  /** Where and from when evidence could be its own. */
  readonly places: readonly { readonly area: string | null; readonly receivedAt: Instant | null }[];
  /** Keys of the containers that went. */
  readonly containers: readonly string[];
  /** Row ids of the results that spoke against them there; links of earlier versions have their number only. */
  readonly contrary?: readonly string[];
  /** A reviewer had refused its statement last. */
  readonly refused?: boolean;
  /** Ids of the signatures that had, there or at what it went on as; links of earlier versions do not name them. */
  readonly refusals?: readonly string[];
  /** The recheck disagreed with a result that it had. */
  readonly disagreed?: boolean;
  /** A contrary result was of it when it was split, whatever had been signed about that. */
  readonly hadContrary?: boolean;
  /** Row ids of the results that spoke against it when it was split and went along; links of earlier versions name none. */
  readonly wentAlong?: readonly string[];
  /** Ids of the rejections of its containers. */
  readonly rejected?: readonly string[];
  /**
   * Receipts that rejected containers had gone to before this one was announced: nothing of those came here. None where the
   * source was named later.
   */
  readonly departed?: readonly string[];
  /** What came had gone on from it as a part already, and what its other parts show is not about this one. */
  readonly ofPart?: true;
}

/** True for a link to a source of which what came is a part already. */
export function isOfPart({ document }: { readonly document: string }): boolean {
  return (JSON.parse(document) as LinkDocument).ofPart === true;
}

/** By these containers go on with what was measured of them; returned, opened and repacked ones start anew. */
export const GOES_ON: readonly ReceiptLinkKind[] = ['split', 'split-off', 'merged'];

/** True where containers go on with what was measured of them. */
export function keepsEvidence(kind: ReceiptLinkKind): boolean {
  return GOES_ON.includes(kind);
}

/** True where the recheck disagrees with what an instrument decided; `recheck` as it is stored with a result. */
export function doesDisagree(recheck: string | null): boolean {
  if (recheck === null) return false;
  return (JSON.parse(recheck) as { readonly answer?: string }).answer === 'disagrees';
}

/** A label printed anew. */
export interface Relabel {
  readonly old_key: string;
  readonly new_key: string;
}

/** Follows a label to the one its container carries now, over any number of prints. */
export function currentKey(relabels: ReadonlyMap<string, string>, key: string): string {
  let current = key;
  for (let steps = 0; steps <= relabels.size; steps++) {
    const next = relabels.get(current);
    if (next === undefined) return current;
    current = next;
  }
  throw new Error(`the labels of ${key} run in a circle`);
}

/** Every label that a container carried, before or after this one. */
export function printsOf(relabels: readonly Relabel[], key: string): ReadonlySet<string> {
  const prints = new Set([key]);
  for (let size = 0; size < prints.size; ) {
    size = prints.size;
    for (const { old_key, new_key } of relabels) {
      if (prints.has(old_key)) prints.add(new_key);
      else if (prints.has(new_key)) prints.add(old_key);
    }
  }
  return prints;
}

export function relabelMap(relabels: readonly Relabel[]): Map<string, string> {
  return new Map(relabels.map((r) => [r.old_key, r.new_key]));
}

/**
 * Labels by which a scan finds a container of one receipt: those printed now, and every one printed before.
 *
 * @param printed label by key, as the containers carry them now
 */
export function scannedLabels(
  printed: ReadonlyMap<string, string>,
  relabels: readonly Relabel[],
): Map<string, string> {
  const found = new Map(printed);
  const next = relabelMap(relabels);
  for (const { old_key } of relabels) {
    const label = printed.get(currentKey(next, old_key));
    if (label !== undefined && !found.has(old_key)) found.set(old_key, label);
  }
  return found;
}
