import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Trx } from '../storage/database.js';
import type { DiscrepancyChanges } from './compare-unit.js';
import { closeDerived, insertDerived, updateDerived } from './comparison.store.js';

/** Writes what the comparison found: opens, rewords and closes. The caller writes the trail entry. */
export async function applyChanges(
  trx: Trx,
  site: string,
  changes: DiscrepancyChanges,
  now: Instant,
): Promise<void> {
  await insertDerived(
    trx,
    changes.open.map((d) => ({
      id: uuidv7(),
      site,
      class: d.class,
      subject: d.subject,
      receipt_id: d.receiptId,
      container_label: d.containerLabel,
      destination: d.destination,
      scope: null,
      detail: d.detail,
      opened_at: now,
      closed_at: null,
      closing_evidence: null,
      derived: 1,
      counts_from: d.countsFrom ?? now,
      instrument: d.instrument,
      fault: d.fault,
      owner: null,
    })),
  );
  for (const { stored, to } of changes.update) await updateDerived(trx, stored.id, to);
  for (const { stored, evidence } of changes.close) {
    await closeDerived(trx, stored.id, evidence, now);
  }
}
