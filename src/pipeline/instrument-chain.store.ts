import type { ReadableExamination } from '../checks/examination.js';
import {
  joinSpans,
  type RunRange,
  rangesOf,
  spansOfEpoch,
  subtractSpans,
} from '../checks/run-ranges.js';
import type { Instant } from '../formats/instant.js';
import { parseScope } from '../reconciliation/discrepancies.js';
import { closeByEvidence, openDiscrepancy } from '../reconciliation/discrepancies.store.js';
import type { Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { InstrumentStateRow } from '../storage/tables.js';
import { readCovered } from './history.store.js';
import { chainSubjectPrefix, gapIn, gapOf } from './unowned-evidence.js';

interface Place {
  readonly rowId: string;
  readonly site: string;
  /** The site's, for the trail. */
  readonly zone: string;
}

/**
 * Notes what the bundle says about its instrument: runs accounted for also when the bundle is held, so that
 * a held bundle is one discrepancy and not a gap besides; heard only when it was accepted.
 *
 * @param before its state as this transaction read it
 */
export async function storeInstrumentState(
  trx: Trx,
  place: Place,
  examination: ReadableExamination,
  before: InstrumentStateRow | undefined,
  heard: { readonly isHeard: boolean; readonly receivedAt: Instant },
): Promise<void> {
  const { header } = examination;
  const { isHeard, receivedAt } = heard;
  if (header.instrumentSerial === null || header.runEpoch === null) return;
  const covered = joinRanges([...(before ? readCovered(before) : []), ...examination.accounted]);
  const isLater = !before || header.runEpoch >= before.epoch;
  const lastRun = header.runLast ?? 0;
  const row = {
    site: place.site,
    serial: header.instrumentSerial,
    epoch: isLater ? header.runEpoch : (before?.epoch ?? header.runEpoch),
    last_run: isLater
      ? Math.max(lastRun, before?.epoch === header.runEpoch ? before.last_run : 0)
      : (before?.last_run ?? lastRun),
    last_bundle_sha256: examination.rawSha256,
    heard_at: isHeard
      ? later(before?.heard_at ?? NEVER, heardThrough(header, receivedAt))
      : (before?.heard_at ?? NEVER),
    covered: JSON.stringify(covered),
  };
  await saveState(trx, row);
}

const saveState = prepared((db, state: InstrumentStateRow) => {
  const row = {
    site: state.site,
    serial: state.serial,
    epoch: state.epoch,
    last_run: state.last_run,
    last_bundle_sha256: state.last_bundle_sha256,
    heard_at: state.heard_at,
    covered: state.covered,
  };
  return db
    .insertInto('instrument_state')
    .values(row)
    .onConflict((c) => c.columns(['site', 'serial']).doUpdateSet(row));
});

/**
 * Closes the gaps of this instrument that this bundle fills, wholly or by a part, and the break of its chain
 * that this bundle is the missing one of. What a gap has left of it stays open under its own name: nothing
 * but the runs themselves closes it, also when the instrument counts in another epoch by now.
 */
export async function closeFilledGaps(
  trx: Trx,
  place: Place,
  examination: ReadableExamination,
  now: Instant,
): Promise<void> {
  const { instrumentSerial: serial, runEpoch: epoch } = examination.header;
  if (serial === null || epoch === null) return;
  const { rows: open } = await openRunGaps(trx, { site: place.site });
  const accounted = spansOfEpoch(examination.accounted, epoch);
  for (const { subject, scope } of open) {
    const gap = gapOf(subject, serial, epoch);
    const rest = gap === null ? [] : rangesOf(subtractSpans([gap], accounted), epoch);
    const isFilled =
      gap === null
        ? subject.startsWith(chainSubjectPrefix(serial)) &&
          subject.endsWith(`:${examination.rawSha256}`)
        : rest[0]?.from !== gap.from || rest[0].to !== gap.to;
    if (!isFilled) continue;
    await closeByEvidence(trx, {
      site: place.site,
      class: 'run-gap',
      subject,
      evidence: `bundle:${place.rowId}`,
      closedAt: now,
      zone: place.zone,
    });
    for (const range of rest) {
      const gap = {
        ...gapIn(serial, range),
        site: place.site,
        receiptId: null,
        containerLabel: null,
        destination: null,
        scope: parseScope(scope),
        openedAt: now,
      };
      await openDiscrepancy(trx, gap, place.zone);
    }
  }
}

const openRunGaps = prepared((db, of: { readonly site: string }) =>
  db
    .selectFrom('discrepancy')
    .select(['subject', 'scope'])
    .where('site', '=', of.site)
    .where('class', '=', 'run-gap')
    .where('closed_at', 'is', null),
);

const NEVER = 0 as Instant;

/** The slower of the clocks, and never past our own: a clock ahead must not make an instrument heard early. */
function heardThrough(header: ReadableExamination['header'], receivedAt: Instant): Instant {
  const clocks = [header.instrumentClock, header.syncPcClock].filter((clock) => clock !== null);
  return clocks.length < 2 ? NEVER : (Math.min(...clocks, receivedAt) as Instant);
}

function later(a: Instant, b: Instant): Instant {
  return a > b ? a : b;
}

function joinRanges(ranges: readonly RunRange[]): RunRange[] {
  const epochs = [...new Set(ranges.map((range) => range.epoch))].sort((a, b) => a - b);
  return epochs.flatMap((epoch) => [...rangesOf(joinSpans(spansOfEpoch(ranges, epoch)), epoch)]);
}
