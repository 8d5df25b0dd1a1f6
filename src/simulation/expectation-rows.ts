import type { Instant } from '../formats/instant.js';
import type { StoryReceipt } from './story.js';
import { formatInZone } from './zoned-time.js';

const COLUMNS =
  'receipt_id,receipt_number,line,material,manufacturer,supplier,supplier_lot,site_lot,quantity,area,received_at,dock_count,counted_by,retest_at,scan_text,containers';

/** The story's receipts as the expectation file that ERP's export would be. */
export function expectationCsv(
  receipts: readonly StoryReceipt[],
  receivedAt: Instant,
  zone: string,
): string {
  const rows = receipts.map((r) =>
    [
      r.id,
      r.id.replace(/-1$/, '').toUpperCase(),
      '1',
      r.material,
      r.manufacturer,
      r.supplier,
      r.supplierLot,
      r.siteLot,
      `${r.drums.length * 25} kg`,
      r.area,
      formatInZone(receivedAt, zone),
      String(r.drums.length),
      'Dock clerk (simulated)',
      '2031-01-31T00:00:00+00:00',
      r.scanText,
      r.drums.map((d) => d.label).join(';'),
    ]
      .map(quoted)
      .join(','),
  );
  return `${[COLUMNS, ...rows].join('\n')}\n`;
}

function quoted(text: string): string {
  return /[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}
