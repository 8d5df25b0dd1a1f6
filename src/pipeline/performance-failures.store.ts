import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import { closeByEvidence, openDiscrepancy } from '../reconciliation/discrepancies.store.js';
import type { PerformanceSettings } from '../site/performance-settings.js';
import { isCauseSigned } from '../statements/checks.store.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { PerformanceCheckRow } from '../storage/tables.js';

/**
 * Receipts with a result between the last passing check before this one and the next after it, on its own standard or
 * any other that the site's tolerances name: what a check that did not pass can put in doubt (rule 13).
 */
export async function receiptsAround(
  reader: Reader,
  check: PerformanceCheckRow,
  settings: PerformanceSettings,
): Promise<ReadonlySet<string>> {
  const named = settings.sets.flatMap((set) => set.standards.map(({ standard }) => standard));
  const receipts = new Set<string>();
  for (const standard of new Set([check.standard, ...named])) {
    const { rows } = await aroundCheck(reader, {
      site: check.site,
      serial: check.instrument_serial,
      epoch: check.run_epoch,
      run: check.run_number,
      standard,
    });
    for (const { receipt_id: id } of rows) if (id !== null) receipts.add(id);
  }
  return receipts;
}

interface AtRun {
  readonly site: string;
  readonly serial: string;
  readonly epoch: number;
  readonly run: number;
  readonly standard: string;
}

const FAR = Number.MAX_SAFE_INTEGER;

const aroundCheck = prepared((db, at: AtRun) => {
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
    .where('run_number', '>', at.run);
  return db
    .selectFrom('result')
    .select('receipt_id')
    .distinct()
    .where('site', '=', at.site)
    .where('instrument_serial', '=', at.serial)
    .where('run_epoch', '=', at.epoch)
    .where('run_number', '>', sql<number>`coalesce((${before}), 0)`)
    .where('run_number', '<', sql<number>`coalesce((${after}), ${sql.lit(FAR)})`)
    .where('receipt_id', 'is not', null);
});

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
