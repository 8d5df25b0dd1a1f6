import type { Instant } from '../formats/instant.js';
import { containerKey, normaliseLabel } from './label.js';
import { nearMisses } from './near-miss.js';

/** A receipt that a scan may name, with its containers by `containerKey`. */
export interface ScanTarget {
  readonly receiptId: string;
  readonly material: string | null;
  readonly area: string | null;
  readonly receivedAt: Instant | null;
  readonly labels: ReadonlyMap<string, string>;
  /** Containers that went on to other receipts since, by the labels they had here; absent or empty for most. */
  readonly moved?: ReadonlyMap<string, PlacedLabel>;
}

/** A container where it is now. */
export interface PlacedLabel {
  readonly receiptId: string;
  readonly label: string;
}

export interface ScanTargets {
  /** Announced receipts by normalised scan text. */
  readonly byScanText: ReadonlyMap<string, ScanTarget>;
  /** Scan texts of the site that near misses are sought in when a text is unknown. */
  readonly knownScanTexts: readonly string[];
}

/** Which receipt and container a scan names. Only an exact match after normalisation counts; near misses of a
 * container are sought when they are shown (`labelHint`), not for every scan of every bundle. */
export type ScanMatch =
  | {
      readonly kind: 'receipt';
      readonly receiptId: string;
      readonly material: string | null;
      readonly area: string | null;
      readonly receivedAt: Instant | null;
      /** The announced label; null when no container was scanned or none carries this label. */
      readonly containerLabel: string | null;
    }
  | {
      readonly kind: 'unknown-receipt';
      /** Normalised. */
      readonly scanText: string;
      readonly nearMisses: readonly string[];
    }
  | { readonly kind: 'no-receipt-scan' };

/** Every receipt that a scan may turn out to name. */
export function receiptsInReach({ byScanText }: ScanTargets): Set<string> {
  const ids = new Set<string>();
  for (const target of byScanText.values()) {
    ids.add(target.receiptId);
    for (const { receiptId } of target.moved?.values() ?? []) ids.add(receiptId);
  }
  return ids;
}

/**
 * Matches what was scanned. A container never finds its receipt: two receipts may number their drums alike,
 * and the same lot may stand in two receipts.
 */
export function matchScan(
  targets: ScanTargets,
  scan: { readonly receipt: string | null; readonly container: string | null },
): ScanMatch {
  const scanText = normaliseLabel(scan.receipt ?? '');
  if (scanText === '') return { kind: 'no-receipt-scan' };
  const target = targets.byScanText.get(scanText);
  if (!target) {
    return {
      kind: 'unknown-receipt',
      scanText,
      nearMisses: nearMisses(scanText, targets.knownScanTexts),
    };
  }
  const container = containerKey(scan.container ?? '');
  const moved = container === '' ? undefined : target.moved?.get(container);
  const containerLabel =
    container === '' ? null : (moved?.label ?? target.labels.get(container) ?? null);
  return {
    kind: 'receipt',
    receiptId: moved?.receiptId ?? target.receiptId,
    material: target.material,
    area: target.area,
    receivedAt: target.receivedAt,
    containerLabel,
  };
}
