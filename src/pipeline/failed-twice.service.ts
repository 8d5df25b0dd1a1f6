import type { EarlierFinding } from '../checks/history-facts.js';
import { asFinding } from '../checks/rule.js';
import { performanceFailedTwice } from '../checks/rules/performance-failed-twice.js';
import { toleranceSetAt } from '../site/performance-settings.js';
import type { SiteFolder } from '../site/site-folder.js';
import { checksAround } from '../statements/checks.store.js';
import { bracketOf } from '../statements/performance-bracket.js';
import type { Trx } from '../storage/database.js';
import type { PerformanceCheckRow } from '../storage/tables.js';
import { type BracketedRow, standingResultsAround } from './performance-failures.store.js';

/**
 * Release-safety rule 13: results whose bracket a confirmed failure withdraws, by the rule that the statement goes by.
 * Called behind the insertion of checks and results of a bundle: those of the bundle are judged too, so that it makes no
 * difference whether a result or the checks around it came first.
 *
 * @param own results of the bundle that is being settled
 */
export async function failedTwice(
  trx: Trx,
  site: SiteFolder,
  checks: readonly PerformanceCheckRow[],
  own: readonly BracketedRow[],
): Promise<EarlierFinding[]> {
  const { performance } = site;
  if (performance === null) return [];
  const rows = new Map(own.map((row) => [row.id, row]));
  for (const check of checks) {
    if (check.verdict !== 'fail') continue;
    for (const [id, row] of await standingResultsAround(trx, check, performance)) rows.set(id, row);
  }
  if (rows.size === 0) return [];
  const facts = await checksAround(trx, site.site, [...rows.values()]);
  if (!facts.some(({ verdict }) => verdict === 'fail')) return [];
  return [...rows.values()].flatMap((row) => {
    const { instrument_serial: instrument, run_epoch: epoch, run_number: run } = row;
    const { measured_at: measuredAt } = row;
    if (instrument === null || epoch === null || run === null || measuredAt === null) return [];
    const set = toleranceSetAt(performance, instrument, measuredAt);
    if (set === null) return [];
    const measured = { instrument, epoch, run, measuredAt };
    const bracket = bracketOf(measured, facts, set, site.limits.clockSkewMs);
    if (bracket.kind !== 'withdrawn') return [];
    const message = `${instrument}, run ${run}: ${bracket.why}`;
    const finding = asFinding(performanceFailedTwice, { pointer: row.pointer, message });
    return [{ rowId: row.id, bundleRowId: row.bundle_row_id, receiptId: row.receipt_id, finding }];
  });
}
