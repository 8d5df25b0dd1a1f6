import { type RunRange, rangesOf, spansOfEpoch, subtractSpans } from '../checks/run-ranges.js';
import { formatInstant } from '../formats/instant.js';
import { normaliseLabel } from '../receipts/label.js';
import type { SiteFolder } from '../site/site-folder.js';
import { ORIGINS, originCovers } from '../site/vocabulary.js';
import type { BundleCase } from '../statements/bundle-refusal.js';
import type { HeldBundle } from '../statements/bundle-review-view.js';
import type { Reader, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import type { BundleRow } from '../storage/tables.js';
import { readCovered } from './history.store.js';

/** Where a refusal is decided, and what may cover there. */
type DecidingPlace = Pick<SiteFolder, 'site' | 'environment'>;

/** Everything the refusal of one bundle depends on; null when the site has no such bundle. */
export async function loadBundleCase(
  reader: Reader,
  place: DecidingPlace,
  rowId: string,
): Promise<BundleCase | null> {
  const { site } = place;
  const bundle = await reader
    .selectFrom('bundle')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', rowId)
    .executeTakeFirst();
  if (!bundle) return null;
  const findings = await reader
    .selectFrom('finding')
    .select(['code', 'pointer', 'message'])
    .where('bundle_row_id', '=', rowId)
    .where('result_row_id', 'is', null)
    .where('severity', '=', 'hold')
    .orderBy('id')
    .execute();
  const results = await reader
    .selectFrom('result')
    .select(['id', 'result_id', 'state', 'decision', 'contrary', 'run_number', 'receipt_id'])
    .select('operator_id')
    .where('bundle_row_id', '=', rowId)
    .orderBy('id')
    .execute();
  const checks = await reader
    .selectFrom('performance_check')
    .select('run_number')
    .where('bundle_row_id', '=', rowId)
    .orderBy('run_number')
    .execute();
  const { instrument_serial: instrument, run_epoch: epoch, run_first: first, run_last } = bundle;
  return {
    rowId,
    bundleId: bundle.bundle_id,
    sha256: bundle.raw_sha256,
    state: bundle.state,
    instrument,
    runs: epoch === null || run_last === null ? null : { epoch, first, last: run_last },
    receivedAt: formatInstant(bundle.received_at),
    findings,
    results: results.map((r) => ({
      rowId: r.id,
      resultId: r.result_id,
      state: r.state,
      decision: r.decision,
      contrary: r.contrary === 1,
      runNumber: r.run_number,
      receiptId: r.receipt_id,
      operatorId: r.operator_id,
    })),
    checkRuns: checks.map((c) => c.run_number),
    acceptedRuns:
      instrument === null || epoch === null
        ? []
        : await acceptedRuns(reader, place, instrument, epoch),
  };
}

/**
 * Runs of an epoch that accepted bundles hold a result or a performance check for; a bundle whose origin covers nothing
 * here accounts for none (release-safety rule 7).
 */
async function acceptedRuns(
  reader: Reader,
  { site, environment }: DecidingPlace,
  serial: string,
  epoch: number,
): Promise<RunRange[]> {
  const runs = (table: 'result' | 'performance_check') =>
    reader
      .selectFrom(table)
      .innerJoin('bundle', 'bundle.id', `${table}.bundle_row_id`)
      .select(`${table}.run_number as run`)
      .distinct()
      .where(`${table}.site`, '=', site)
      .where(`${table}.instrument_serial`, '=', serial)
      .where(`${table}.run_epoch`, '=', epoch)
      .where('bundle.state', '=', 'accepted')
      .where(
        'bundle.origin',
        'in',
        ORIGINS.filter((origin) => originCovers(environment, origin)),
      )
      .execute();
  return [...(await runs('result')), ...(await runs('performance_check'))].flatMap(({ run }) =>
    run === null ? [] : [{ epoch, from: run, to: run }],
  );
}

/**
 * Who measured anything that scanned the same receipt texts as the results of a bundle which belong to no receipt yet: once
 * somebody announces it, it is of one receipt with those.
 */
export async function operatorsOfScans(
  reader: Reader,
  site: string,
  bundleRowId: string,
): Promise<(string | null)[]> {
  const unowned = await reader
    .selectFrom('result')
    .select(['bundle_row_id', 'receipt_scanned', 'operator_id'])
    .distinct()
    .where('site', '=', site)
    .where('receipt_id', 'is', null)
    .where('receipt_scanned', 'is not', null)
    .execute();
  const scans = unowned.map((row) => ({ ...row, text: normaliseLabel(row.receipt_scanned ?? '') }));
  const own = new Set(scans.filter((s) => s.bundle_row_id === bundleRowId).map((s) => s.text));
  own.delete('');
  return scans.filter(({ text }) => own.has(text)).map((scan) => scan.operator_id);
}

/** Bundles of a site that are held, the oldest first. */
export async function heldBundles(
  reader: Reader,
  site: string,
  limit: number,
): Promise<HeldBundle[]> {
  const bundles = await reader
    .selectFrom('bundle')
    .select(['id', 'bundle_id', 'instrument_serial', 'received_at'])
    .where('site', '=', site)
    .where('state', '=', 'held')
    .orderBy('received_at')
    .orderBy('id')
    .limit(limit)
    .execute();
  if (bundles.length === 0) return [];
  const findings = await reader
    .selectFrom('finding')
    .select(['bundle_row_id', 'code'])
    .where(
      'bundle_row_id',
      'in',
      bundles.map((b) => b.id),
    )
    .where('result_row_id', 'is', null)
    .where('severity', '=', 'hold')
    .orderBy('id')
    .execute();
  return bundles.map((b) => ({
    rowId: b.id,
    bundleId: b.bundle_id,
    instrument: b.instrument_serial,
    receivedAt: formatInstant(b.received_at),
    heldBy: findings.filter((f) => f.bundle_row_id === b.id).map((f) => f.code),
  }));
}

/** Keeps the lane of a bundle to this transaction: whoever settles the next one waits for its runs. */
export async function lockLaneOf(
  trx: Trx,
  site: string,
  rowId: string,
): Promise<Pick<BundleRow, 'received_at' | 'settled_at' | 'instrument_serial'>> {
  const bundle = await trx
    .selectFrom('bundle')
    .select(['lane', 'received_at', 'settled_at', 'instrument_serial'])
    .where('site', '=', site)
    .where('id', '=', rowId)
    .executeTakeFirstOrThrow();
  if (dialectOf(trx).isShared) {
    await trx
      .selectFrom('lane')
      .select('name')
      .where('site', '=', site)
      .where('name', '=', bundle.lane)
      .forUpdate()
      .execute();
  }
  return bundle;
}

/** False when it is not held any more. */
export async function setBundleRefused(trx: Trx, rowId: string): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('bundle')
    .set({ state: 'refused' })
    .where('id', '=', rowId)
    .where('state', '=', 'held')
    .executeTakeFirst();
  return numUpdatedRows > 0n;
}

/** Takes runs back from those an instrument is known to have accounted for. The caller has its lane. */
export async function uncoverRuns(
  trx: Trx,
  site: string,
  serial: string,
  gaps: readonly RunRange[],
): Promise<void> {
  const state = await trx
    .selectFrom('instrument_state')
    .selectAll()
    .where('site', '=', site)
    .where('serial', '=', serial)
    .executeTakeFirst();
  if (!state) return;
  const covered = readCovered(state);
  const epochs = [...new Set(covered.map((range) => range.epoch))].sort((a, b) => a - b);
  const left = epochs.flatMap((epoch) =>
    rangesOf(subtractSpans(spansOfEpoch(covered, epoch), spansOfEpoch(gaps, epoch)), epoch),
  );
  await trx
    .updateTable('instrument_state')
    .set({ covered: JSON.stringify(left) })
    .where('site', '=', site)
    .where('serial', '=', serial)
    .execute();
}
