import type { RunRange } from '../checks/run-ranges.js';
import type { Instant } from '../formats/instant.js';
import { tellWaitingReceipts } from '../receipts/facts.store.js';
import { closeByEvidence } from '../reconciliation/discrepancies.store.js';
import type { Trx } from '../storage/database.js';
import type { ResultRow } from '../storage/tables.js';
import { gapOf } from './unowned-evidence.js';

/** The run a reviewed result was measured in. */
type ReviewedRun = Pick<ResultRow, 'instrument_serial' | 'run_epoch' | 'run_number'>;

/**
 * Closes the overlaps of runs of this instrument that signed acts have decided: none of the results of those
 * runs is held any more, no run has two that stand, and no performance check claims one of them besides.
 */
export async function closeDecidedOverlaps(
  trx: Trx,
  site: string,
  run: ReviewedRun,
  by: { readonly evidence: string; readonly now: Instant; readonly zone: string },
): Promise<void> {
  const { instrument_serial: serial, run_epoch: epoch, run_number: number } = run;
  if (serial === null || epoch === null || number === null) return;
  const open = await trx
    .selectFrom('discrepancy')
    .select('subject')
    .where('site', '=', site)
    .where('class', '=', 'run-overlap')
    .where('closed_at', 'is', null)
    .execute();
  let hasClosed = false;
  for (const { subject } of open) {
    const range = gapOf(subject.slice(0, subject.lastIndexOf(':')), serial, epoch);
    if (range === null || number < range.from || number > range.to) continue;
    if (!(await isDecided(trx, site, serial, range))) continue;
    await closeByEvidence(trx, {
      site,
      class: 'run-overlap',
      subject,
      evidence: by.evidence,
      closedAt: by.now,
      zone: by.zone,
    });
    hasClosed = true;
  }
  if (hasClosed) await tellWaitingReceipts(trx, site);
}

async function isDecided(
  trx: Trx,
  site: string,
  serial: string,
  range: RunRange,
): Promise<boolean> {
  const results = await trx
    .selectFrom('result')
    .select(['state', 'run_number'])
    .where('site', '=', site)
    .where('instrument_serial', '=', serial)
    .where('run_epoch', '=', range.epoch)
    .where('run_number', '>=', range.from)
    .where('run_number', '<=', range.to)
    .execute();
  const check = await trx
    .selectFrom('performance_check')
    .select('id')
    .where('site', '=', site)
    .where('instrument_serial', '=', serial)
    .where('run_epoch', '=', range.epoch)
    .where('run_number', '>=', range.from)
    .where('run_number', '<=', range.to)
    .limit(1)
    .executeTakeFirst();
  if (check !== undefined || results.some((r) => r.state === 'held')) return false;
  const standing = results.filter((r) => r.state === 'accepted').map((r) => r.run_number);
  return new Set(standing).size === standing.length;
}
