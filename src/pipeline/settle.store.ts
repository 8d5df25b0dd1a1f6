import { sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { ReadableExamination } from '../checks/examination.js';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { preparedForList } from '../storage/prepared.js';
import { preparedInsertRows } from '../storage/prepared-rows.js';
import type { PerformanceCheckRow, ResultRow } from '../storage/tables.js';
import { resultRow, type SettledResult } from './settled-result.js';

/** Rows in one insert: far below the number of bound values either database allows. */
const ROWS = 500;

interface Place {
  readonly rowId: string;
  readonly site: string;
}

export async function insertResults(
  trx: Trx,
  results: readonly SettledResult[],
  place: Place,
  examination: ReadableExamination,
): Promise<void> {
  const rows = results.map((result) => resultRow(result, place, examination));
  await insertRows(trx, rows);
}

const insertRows = preparedInsertRows('result');

/**
 * Stores the performance checks that can be read, with what they were judged to be worth, and returns them; what
 * cannot be read is a finding of the bundle.
 *
 * @param bundle a pass in one that is held, or of an origin that does not count here, brackets nothing
 */
export async function insertChecks(
  trx: Trx,
  examination: ReadableExamination,
  place: Place,
  bundle: { readonly isHeard: boolean; readonly receivedAt: Instant },
): Promise<PerformanceCheckRow[]> {
  const { instrumentSerial, runEpoch, instrumentClock } = examination.header;
  if (instrumentSerial === null || runEpoch === null) return [];
  const rows: PerformanceCheckRow[] = [];
  for (const { check, checkedAt, sha256, judgement } of examination.performanceChecks) {
    if (check === null) continue;
    const verdict = judgement?.verdict ?? (check.outcome === 'fail' ? 'fail' : 'void');
    rows.push({
      id: uuidv7(),
      site: place.site,
      bundle_row_id: place.rowId,
      check_id: check.checkId,
      instrument_serial: instrumentSerial,
      run_epoch: runEpoch,
      run_number: check.runNumber,
      // A check without a readable time is void or failed; its run says where it stands.
      checked_at: checkedAt ?? instrumentClock ?? bundle.receivedAt,
      standard: check.standard,
      outcome: check.outcome,
      document: JSON.stringify(check),
      element_sha256: sha256,
      verdict: verdict === 'pass' && !bundle.isHeard ? 'void' : verdict,
      judgement: judgement === null ? null : JSON.stringify(judgement),
    });
  }
  for (let i = 0; i < rows.length; i += ROWS) {
    await trx
      .insertInto('performance_check')
      .values(rows.slice(i, i + ROWS))
      .execute();
  }
  return rows;
}

/** Results that supersede one of these, unless they are held. */
export async function supersedersOf(
  reader: Reader,
  site: string,
  resultIds: readonly string[],
): Promise<readonly Pick<ResultRow, 'id' | 'result_id' | 'supersedes'>[]> {
  return (await superseders(reader, { site }, resultIds)).rows;
}

const superseders = preparedForList((db, of: { readonly site: string }, ids) =>
  db
    .selectFrom('result')
    .select(['id', 'result_id', 'supersedes'])
    .where('site', '=', of.site)
    .where('supersedes', 'in', ids)
    .where('state', '<>', sql.lit('held')),
);
