import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import { closeByEvidence, openDiscrepancy } from '../reconciliation/discrepancies.store.js';
import type { PerformanceSettings } from '../site/performance-settings.js';
import { isCauseSigned } from '../statements/checks.store.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { PerformanceCheckRow, ResultRow } from '../storage/tables.js';

/** What a check that did not pass can put in doubt (rule 13). */
export interface InDoubt {
  readonly receipts: ReadonlySet<string>;
  /** Who measured there, as reported. */
  readonly operators: ReadonlySet<string | null>;
}

/**
 * Results between the last passing check before this one and the next after it, on its own standard or any other that
 * the site's tolerances name.
 */
export async function resultsAround(
  reader: Reader,
  check: PerformanceCheckRow,
  settings: PerformanceSettings | null,
): Promise<InDoubt> {
  const receipts = new Set<string>();
  const operators = new Set<string | null>();
  for (const standard of standardsOf(check, settings)) {
    const { rows } = await aroundCheck(reader, { ...placeOf(check), standard });
    for (const { receipt_id: id, operator_id: operator } of rows) {
      if (id !== null) receipts.add(id);
      operators.add(operator);
    }
  }
  return { receipts, operators };
}

/** A result that counts or may come to, with where it stands among the checks of its instrument. */
export type BracketedRow = Pick<ResultRow, (typeof BRACKETED)[number]>;

const BRACKETED = [
  'id',
  'bundle_row_id',
  'pointer',
  'receipt_id',
  'instrument_serial',
  'run_epoch',
  'run_number',
  'measured_at',
] as const;

/** Those of `resultsAround` that were neither refused nor superseded, by row id. */
export async function standingResultsAround(
  reader: Reader,
  check: PerformanceCheckRow,
  settings: PerformanceSettings,
): Promise<ReadonlyMap<string, BracketedRow>> {
  const around = new Map<string, BracketedRow>();
  for (const standard of standardsOf(check, settings)) {
    const { rows } = await standingAround(reader, { ...placeOf(check), standard });
    for (const row of rows) around.set(row.id, row);
  }
  return around;
}

function standardsOf(check: PerformanceCheckRow, settings: PerformanceSettings | null) {
  const sets = settings?.sets ?? [];
  const named = sets.flatMap((set) => set.standards.map(({ standard }) => standard));
  return new Set([check.standard, ...named]);
}

function placeOf(check: PerformanceCheckRow) {
  return {
    site: check.site,
    serial: check.instrument_serial,
    epoch: check.run_epoch,
    run: check.run_number,
    at: check.checked_at,
  };
}

export async function checkByRowId(
  reader: Reader,
  site: string,
  id: string,
): Promise<PerformanceCheckRow | null> {
  const row = await reader
    .selectFrom('performance_check')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', id)
    .executeTakeFirst();
  return row ?? null;
}

/** Checks shown behind a failed one. */
const BEHIND_MAX = 20;

/** Checks of the same instrument and epoch behind one, by run, up to the next pass on its standard. */
export async function checksBehind(
  reader: Reader,
  check: PerformanceCheckRow,
): Promise<PerformanceCheckRow[]> {
  const rows = await reader
    .selectFrom('performance_check')
    .selectAll()
    .where('site', '=', check.site)
    .where('instrument_serial', '=', check.instrument_serial)
    .where('run_epoch', '=', check.run_epoch)
    .where('run_number', '>', check.run_number)
    .orderBy('run_number')
    .orderBy('id')
    .limit(BEHIND_MAX)
    .execute();
  const end = rows.findIndex((r) => r.verdict === 'pass' && r.standard === check.standard);
  return end === -1 ? rows : rows.slice(0, end + 1);
}

/** The latest checks of an instrument, oldest first. */
export async function latestChecks(
  reader: Reader,
  site: string,
  serial: string,
  limit: number,
): Promise<PerformanceCheckRow[]> {
  const rows = await reader
    .selectFrom('performance_check')
    .selectAll()
    .where('site', '=', site)
    .where('instrument_serial', '=', serial)
    .orderBy('run_epoch', 'desc')
    .orderBy('run_number', 'desc')
    .limit(limit)
    .execute();
  return rows.reverse();
}

/** Up to when each instrument was heard, by serial; 0 for one of which nothing was accepted. */
export async function heardInstruments(
  reader: Reader,
  site: string,
): Promise<Map<string, Instant>> {
  const rows = await reader
    .selectFrom('instrument_state')
    .select(['serial', 'heard_at'])
    .where('site', '=', site)
    .execute();
  return new Map(rows.map((row) => [row.serial, row.heard_at]));
}

interface AtRun {
  readonly site: string;
  readonly serial: string;
  readonly epoch: number;
  readonly run: number;
  readonly at: Instant;
  readonly standard: string;
}

const FAR = Number.MAX_SAFE_INTEGER;

/**
 * Results on both sides of a check up to the passing ones on one standard. One behind it that was made before it by its
 * time does not answer it, see `bracketOf`.
 */
function betweenPasses(db: Reader, at: AtRun) {
  const passes = db
    .selectFrom('performance_check')
    .where('site', '=', at.site)
    .where('instrument_serial', '=', at.serial)
    .where('run_epoch', '=', at.epoch)
    .where('verdict', '=', sql.lit('pass'))
    .where('standard', '=', at.standard);
  const before = passes
    .select((e) => e.fn.max('run_number').as('run'))
    .where('run_number', '<', at.run);
  const after = passes
    .select((e) => e.fn.min('run_number').as('run'))
    .where('run_number', '>', at.run)
    .where('checked_at', '>=', at.at);
  return db
    .selectFrom('result')
    .where('site', '=', at.site)
    .where('instrument_serial', '=', at.serial)
    .where('run_epoch', '=', at.epoch)
    .where('run_number', '>', sql<number>`coalesce((${before}), 0)`)
    .where('run_number', '<', sql<number>`coalesce((${after}), ${sql.lit(FAR)})`);
}

const aroundCheck = prepared((db, at: AtRun) =>
  betweenPasses(db, at).select(['receipt_id', 'operator_id']).distinct(),
);

const standingAround = prepared((db, at: AtRun) =>
  betweenPasses(db, at).select(BRACKETED).where(sql<boolean>`state in ('accepted', 'held')`),
);

const SUBJECT = 'check:';

/** Opens the discrepancy of a failed check. What it puts in doubt, the statements of its results say themselves. */
export async function openFailure(
  trx: Trx,
  check: PerformanceCheckRow,
  now: Instant,
  zone: string,
): Promise<void> {
  const { instrument_serial: serial, check_id: id, standard, run_number: run } = check;
  const failure = {
    site: check.site,
    class: 'performance-failed' as const,
    subject: `${SUBJECT}${check.id}`,
    receiptId: null,
    containerLabel: null,
    destination: null,
    scope: { instruments: [serial], bracket: true as const },
    detail: `${serial}: check ${id} (run ${run}) on ${standard} failed`,
    openedAt: now,
    countsFrom: check.checked_at,
  };
  await openDiscrepancy(trx, failure, zone);
}

/** Closes failures of an instrument whose cause is signed and that a pass on the same standard followed. */
export async function closeAnsweredFailures(
  trx: Trx,
  of: {
    readonly site: string;
    readonly serial: string;
    readonly now: Instant;
    readonly zone: string;
  },
): Promise<void> {
  const { rows } = await openFailures(trx, { site: of.site, serial: of.serial });
  for (const { subject } of rows) {
    const checkRowId = subject.slice(SUBJECT.length);
    const pass = await passAfter(trx, of.site, checkRowId);
    if (pass === null || !(await isCauseSigned(trx, of.site, checkRowId))) continue;
    await closeByEvidence(trx, {
      site: of.site,
      class: 'performance-failed',
      subject,
      evidence: `${SUBJECT}${pass}`,
      closedAt: of.now,
      zone: of.zone,
    });
  }
}

const openFailures = prepared((db, of: { readonly site: string; readonly serial: string }) =>
  db
    .selectFrom('discrepancy')
    .select('subject')
    .where('site', '=', of.site)
    .where('class', '=', sql.lit('performance-failed'))
    .where('instrument', '=', of.serial)
    .where('closed_at', 'is', null),
);

async function passAfter(reader: Reader, site: string, checkRowId: string): Promise<string | null> {
  const row = await reader
    .selectFrom('performance_check as f')
    .innerJoin('performance_check as p', (join) =>
      join
        .onRef('p.site', '=', 'f.site')
        .onRef('p.instrument_serial', '=', 'f.instrument_serial')
        .onRef('p.run_epoch', '=', 'f.run_epoch')
        .onRef('p.standard', '=', 'f.standard')
        .onRef('p.run_number', '>', 'f.run_number'),
    )
    .select('p.id')
    .where('f.site', '=', site)
    .where('f.id', '=', checkRowId)
    .where('p.verdict', '=', 'pass')
    .orderBy('p.run_number')
    .limit(1)
    .executeTakeFirst();
  return row?.id ?? null;
}
