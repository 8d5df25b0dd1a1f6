import { sql } from 'kysely';
import type { Reader } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import { sideBySide } from '../storage/side-by-side.js';
import type { ReceiptRow } from '../storage/tables.js';
import {
  currentKey,
  keepsEvidence,
  type LinkDocument,
  relabelMap,
  scannedLabels,
} from './lineage.js';
import { linksFrom, relabelsOf } from './lineage.store.js';
import { findReceiptsByScan } from './receipts.store.js';
import type { PlacedLabel, ScanTarget, ScanTargets } from './scan-match.js';

const NEAR_MISS_TEXTS_MAX = 5000;

/**
 * What the scans of a bundle may name: the announced receipts of these normalised texts with their
 * containers by every label they ever carried, those of a split or merged receipt where they are now, and, for near
 * misses of texts nobody announced, the latest scan texts of the site.
 */
export async function loadScanTargets(
  reader: Reader,
  site: string,
  scanTexts: readonly string[],
): Promise<ScanTargets> {
  const rows = await findReceiptsByScan(reader, site, scanTexts);
  const byScanText = new Map<string, ScanTarget>();
  for (const row of rows.values()) {
    if (row.announced === 0) continue;
    byScanText.set(row.scan_text, {
      receiptId: row.id,
      material: row.material,
      area: row.area,
      receivedAt: row.received_at,
      labels: await labelsOf(reader, site, row.id),
      moved: row.linked === 1 ? await movedLabels(reader, row) : NOTHING_MOVED,
    });
  }
  const unknown = scanTexts.some((t) => t !== '' && !byScanText.has(t));
  return { byScanText, knownScanTexts: unknown ? await knownScanTexts(reader, site) : [] };
}

const NOTHING_MOVED: ReadonlyMap<string, PlacedLabel> = new Map();

async function labelsOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<Map<string, string>> {
  const [{ rows }, { rows: relabelled }] = await sideBySide(reader, [
    () => printedLabels(reader, { site, receiptId }),
    () => relabels(reader, { site, receiptId }),
  ]);
  const printed = new Map(rows.map((c) => [c.normalised, c.label]));
  return scannedLabels(printed, relabelled);
}

/** Containers that went on from a receipt with what was measured of them, by the labels they had there, also before they were printed anew. */
async function movedLabels(reader: Reader, row: ReceiptRow): Promise<Map<string, PlacedLabel>> {
  const moved = new Map<string, PlacedLabel>();
  for (const link of await linksFrom(reader, row.site, row.id)) {
    if (!keepsEvidence(link.kind)) continue;
    const there = await labelsOf(reader, row.site, link.to_receipt);
    for (const key of (JSON.parse(link.document) as LinkDocument).containers) {
      const label = there.get(key);
      if (label !== undefined) moved.set(key, { receiptId: link.to_receipt, label });
    }
  }
  const earlier = await relabelsOf(reader, row.site, [row.id]);
  const next = relabelMap(earlier);
  for (const { old_key } of earlier) {
    const place = moved.get(currentKey(next, old_key));
    if (place !== undefined && !moved.has(old_key)) moved.set(old_key, place);
  }
  return moved;
}

const printedLabels = prepared((db, of: { readonly site: string; readonly receiptId: string }) =>
  db
    .selectFrom('container')
    .select(['normalised', 'label'])
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .orderBy('position'),
);

const relabels = prepared((db, of: { readonly site: string; readonly receiptId: string }) =>
  db
    .selectFrom('container_relabel')
    .select(['old_key', 'new_key'])
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId),
);

async function knownScanTexts(reader: Reader, site: string): Promise<string[]> {
  const rows = await reader
    .selectFrom('receipt')
    .select('scan_text')
    .where('site', '=', site)
    .where('announced', '=', 1)
    .orderBy(sql`coalesce(received_at, 0)`, 'desc')
    .orderBy('id')
    .limit(NEAR_MISS_TEXTS_MAX)
    .execute();
  return rows.map((r) => r.scan_text);
}
