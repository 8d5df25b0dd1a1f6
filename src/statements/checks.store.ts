import { sql } from 'kysely';
import { latestSignatureOf } from '../signatures/signatures.store.js';
import type { Reader } from '../storage/database.js';
import { bounded, prepared } from '../storage/prepared.js';
import type { PerformanceCheckRow, ResultRow } from '../storage/tables.js';
import type { CheckFact } from './performance-bracket.js';

/** Rows of one instrument looked at; what lies beyond leaves a bracket open, never closed. */
const CHECKS_MAX = 1000;
/** Runs before a run with a passing check that are looked at: more than a site has standards. */
const PASSES_BEFORE = 8;

type Run = Pick<ResultRow, 'instrument_serial' | 'run_epoch' | 'run_number'>;

/**
 * The performance checks that the brackets of these results rest on, one query for each instrument and epoch: from
 * the last passing checks before the first of them on, and every failure before that nothing of its standard answered.
 */
export async function checksAround(
  reader: Reader,
  site: string,
  results: readonly Run[],
): Promise<CheckFact[]> {
  const first = new Map<string, { serial: string; epoch: number; run: number }>();
  for (const { instrument_serial: serial, run_epoch: epoch, run_number: run } of results) {
    if (serial === null || epoch === null || run === null) continue;
    const key = `${epoch} ${serial}`;
    const known = first.get(key);
    if (known === undefined || run < known.run) first.set(key, { serial, epoch, run });
  }
  const facts: CheckFact[] = [];
  for (const from of first.values()) {
    const { rows } = await checksFrom(reader, { site, ...from });
    for (const row of rows) facts.push(await checkFact(reader, site, row));
  }
  return facts;
}

async function checkFact(reader: Reader, site: string, row: CheckRow): Promise<CheckFact> {
  return {
    rowId: row.id,
    checkId: row.check_id,
    instrument: row.instrument_serial,
    epoch: row.run_epoch,
    run: row.run_number,
    checkedAt: row.checked_at,
    standard: row.standard,
    verdict: row.verdict,
    isCauseSigned: row.verdict === 'fail' && (await isCauseSigned(reader, site, row.id)),
  };
}

/** The rows never change after they were written, so what was signed about one holds. */
export async function isCauseSigned(reader: Reader, site: string, rowId: string): Promise<boolean> {
  const of = { kind: 'performance-check', id: rowId };
  return (await latestSignatureOf(reader, site, of))?.meaning === 'reviewed';
}

type CheckRow = Pick<
  PerformanceCheckRow,
  | 'id'
  | 'check_id'
  | 'instrument_serial'
  | 'run_epoch'
  | 'run_number'
  | 'checked_at'
  | 'standard'
  | 'verdict'
>;

const COLUMNS = [
  'c.id',
  'c.check_id',
  'c.instrument_serial',
  'c.run_epoch',
  'c.run_number',
  'c.checked_at',
  'c.standard',
  'c.verdict',
] as const;

interface From {
  readonly site: string;
  readonly serial: string;
  readonly epoch: number;
  readonly run: number;
}

const checksFrom = prepared((db, from: From) => {
  const own = db
    .selectFrom('performance_check as c')
    .select(COLUMNS)
    .where('c.site', '=', from.site)
    .where('c.instrument_serial', '=', from.serial)
    .where('c.run_epoch', '=', from.epoch);
  const since = db
    .selectFrom('performance_check as p')
    .select('p.run_number')
    // One check may have come several times.
    .distinct()
    .where('p.site', '=', from.site)
    .where('p.instrument_serial', '=', from.serial)
    .where('p.run_epoch', '=', from.epoch)
    .where('p.verdict', '=', sql.lit('pass'))
    .where('p.run_number', '<', from.run)
    .orderBy('p.run_number', 'desc')
    .limit(bounded(1))
    .offset(bounded(PASSES_BEFORE - 1));
  const start = sql<number>`coalesce((${since}), 0)`;
  const near = own.where('c.run_number', '>=', start);
  const unanswered = own
    .where('c.verdict', '=', sql.lit('fail'))
    .where('c.run_number', '<', start)
    .where((e) =>
      e.not(
        e.exists(
          e
            .selectFrom('performance_check as a')
            .select('a.id')
            .whereRef('a.site', '=', 'c.site')
            .whereRef('a.instrument_serial', '=', 'c.instrument_serial')
            .whereRef('a.run_epoch', '=', 'c.run_epoch')
            .whereRef('a.standard', '=', 'c.standard')
            .where('a.verdict', '=', sql.lit('pass'))
            .whereRef('a.run_number', '>', 'c.run_number')
            // One that was made before it, whatever its run says, answers nothing.
            .whereRef('a.checked_at', '>=', 'c.checked_at')
            .where('a.run_number', '<', from.run),
        ),
      ),
    );
  return near.unionAll(unanswered).orderBy('run_number').limit(bounded(CHECKS_MAX));
});
